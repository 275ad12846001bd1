// Package config reads the bench description into the packages' own option
// structs and has each check its own.
//
// A bench description is a TOML file. It is read strictly: an unknown key is
// an error, and every problem of the file is reported in one pass, each with
// file, line, field, value, unit and the next move. Quantities carry their
// unit in the key (trip_barg = 48.0); the unit of every pressure says gauge or
// absolute. Numbers a person counts (columns, fields) count from 1; addresses
// are those on the wire and count from 0. Uncertainties in the file are
// expanded (k = 2), as certificates print them; the option structs hold
// standard ones (k = 1).
//
// The package has no clock. What depends on the date
// (certificates that have run out) is told by [Bench.Warnings], which takes it.
package config
