// Package wire encodes and decodes the instruments' serial protocols.
//
// Decoders (line, frame) and askers (modbus, query) are pure state machines over
// bytes and bench time: they start nothing, wait for nothing and never fail.
// What they can't read they count and skip; what a device's own sequence says
// is missing they count as lost.
package wire
