// Package guard decides what an operator must answer and what must be made
// safe.
//
// A Guard is a pure state machine over bench time. It holds two machines that
// do not touch: alarms (what an operator is told, acknowledges, shelves) and
// trips (what is demanded of outputs). No alarm action changes a demand.
//
// Ventward is a monitoring aid, never the safety function: over-pressure
// protection, emergency stop and access interlocks are hardware.
package guard
