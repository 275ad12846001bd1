// Package dashboard serves the HTTP API, the live feed and the web pages.
//
// It is the edge of the program: bar, mm² and seconds of run time or RFC 3339
// here, Pa, m² and ns of bench time inside. It shows and passes commands on; it
// never switches an output itself, and nothing it does can hold up the loop.
//
// # The live feed
//
// /api/v1/live is a websocket. Text messages are JSON objects with a "type":
// hello (once: the program, the channel table), snapshot (once: run, events,
// alarms, state), then run, event, alarm and state as they come. Binary
// messages are sample frames as package stream describes them: first the whole
// run, then the last two minutes, then what is new, about 30 times a second.
// The client sends nothing. With ?alarms_after=ID a returning client is told
// also of alarms that came and went since that id.
package dashboard
