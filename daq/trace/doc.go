// Package trace reads and writes traces as CSV: a column of times and columns
// of readings whose names say role and unit.
//
// The form is UTF-8 text, comma-separated, with a header row. The first column
// is t_s, seconds that increase from row to row. Every other column is named
// NAME_UNIT, the unit being what follows the last underscore, or NAME for a
// plain number. An empty cell or NaN is a missing reading, never zero. What is
// read is exact: a time to the nanosecond, a value to the nearest float64 of
// its SI unit.
//
// The package touches no file: it reads from an io.Reader and writes to an
// io.Writer.
package trace
