// Package influx copies stored runs to an InfluxDB server, at its own pace.
//
// A [Forwarder] follows the store through a [Source] from a durable cursor. It
// is off the sample's path: it never delays recording, detection or the live
// page, and a server that is slow, wrong or gone costs nothing but lag. What
// is sent twice overwrites itself, since a point is known by its series and
// nanosecond stamp; so the cursor moves only after the server has said yes,
// and nothing is lost by a crash of either side.
//
// # What becomes of an answer
//
//   - yes: the cursor is written to disk, then the next batch is read;
//   - 400 or 422, the server objects to lines: the batch is halved down to
//     single lines, a refused line goes to quarantine.jsonl with the reason, and
//     the rest goes on. A full quarantine holds the forwarder, since to go on
//     would lose lines;
//   - 413, too much at once: the batch is halved, and later batches start
//     smaller;
//   - anything else (401, 403, 404, 429, 5xx, no network, no answer): the batch
//     is held and tried again with a growing, capped pause; Retry-After is
//     obeyed. [Status] says what is wrong and what to do.
//
// # Schema
//
// Tags are bench and channel only: runs, specimens and lots as tags would be a
// new series for every shot. Stamps are UTC nanoseconds and strictly increase
// along a channel within a run. Fields keep one type for ever; a value that is
// no number has no field; whole numbers are signed.
//
//	measurement  tags            fields
//	pressure     bench, channel  gauge_Pa or absolute_Pa
//	temperature  bench, channel  value_C
//	voltage      bench, channel  value_V
//	current      bench, channel  value_A
//	force        bench, channel  value_N
//	digital      bench, channel  value (0.0 or 1.0)
//	number       bench, channel  value
//	   each of these: quality, the sample's flags as whole number; absent where
//	   the sample is good
//	event        bench, channel  run, id, rev, kind, fault, feature, onset_ns,
//	                             onset_u_ns, pressure_Pa, pressure_u_Pa, peak_Pa,
//	                             drop_Pa, area_m2, area_u_m2, area_lower_m2, flags
//	alarm        bench, channel  run, id, rule, priority, state, value, message, who
//	run          bench           run, kind, specimen, lot, shot, feature, state,
//	                             end_ns
//
// An event's stamp is its deciding sample's, an alarm's the time of its state,
// a run's its start; to each of them the id (modulo 1000) is added in ns, so
// that two on one channel never meet, and a later revision overwrites the
// earlier one. onset_ns and end_ns are UTC nanoseconds since 1970.
//
// Ventward is a monitoring aid, never the safety function; a copy in a
// database is not the record, which is the run file.
package influx
