// Package sim is a bench made of arithmetic: it plays a specimen through the
// instruments' own protocols.
//
// # What it is for
//
// It runs as a process of its own, opens a pseudo-terminal for each instrument
// of a bench description and speaks that instrument's protocol there, so that
// a daemon opens them as it opens real serial ports. It obeys the outputs: a
// ramp runs only while the supply valve's coil is energised and the watchdog
// relay sees edges of the heartbeat coil. What really happened it tells on its
// own channel, as the truth that a measurement can be compared with.
//
// It shares no formula with the packages it is used to test: gas flow, inverse
// calibration, the encoders and the Modbus slave are written here from
// scratch, and thermocouples are interpolated in the published table.
//
// # Physics
//
// A rigid fixture holds an ideal gas with an energy balance (filling, wall
// heat, discharge through isentropic orifices, choked or not). A feature of
// the specimen opens when the pressure difference across it reaches its own
// opening pressure, and its area grows smoothly over the opening width. What a
// channel reports has passed the impulse line's resonance, the transducer's
// lag, a calibration error, noise, hum and the converter's rounding.
//
// # Time
//
// Simulated time is an int64 in ns on the scale of Monotonic, so that it can
// be compared between processes. At speed 1 it is that clock. At other speeds
// it is a Page shared with the daemon.
//
// # Control
//
// Serve reads commands and writes reports, one JSON object a line (Command,
// Report). Commands: load (a specimen by its id, or a piece of one's own: the
// supply must be shut; what is left in the fixture is dumped by hand first),
// ramp, dump, fault, reset-watchdog, status, stop. The end of the input stops
// it too. Reports: ready, loaded, truth, supply, dump, watchdog, fault, port,
// sent, state, stopped, error.
//
// It is a model, no safety function and no proof of one: it shows that a
// program reacts, never that a bench is safe.
package sim
