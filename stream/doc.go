// Package stream fans live samples, events and alarms out to any number of
// viewers without ever waiting for one.
package stream
