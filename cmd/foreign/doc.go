// Command foreign is a second opinion on the whole detector: it makes traces
// of burst benches and runaway rigs from a model of its own, gives them to the
// real `ventward analyze --json` as files, and scores what that prints against
// the truth and against the limits that the noise-free trace sets.
//
// It shares nothing with the rest of the project, neither the simulator nor a
// formula: the import table forbids it. What it knows of the job is what the
// trade knows: how gas leaves a vessel, what transducers, converters and
// operators do, and which cases a threshold on the derivative gets wrong.
package main
