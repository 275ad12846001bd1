// Package port opens serial ports and reopens them when they go away.
//
// A Link is one serial port with one reader goroutine that always drains it.
// The package never enumerates ports: enumeration opens every port of the
// machine, and opening a port raises its control lines.
package port
