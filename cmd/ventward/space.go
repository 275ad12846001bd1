package main

import (
	"fmt"

	"ventward/config"
)

// What a stored reading takes at most, bytes, that is before compression: counts
// are kept as such, registers may hold floats.
const (
	countBytes = 4
	floatBytes = 8
)

// runBytes is the most that a run of the bench takes, bytes: what is kept from
// before it, the ramp to the highest pressure to come, and the least duration
// of the pressure watch. How long somebody holds pressure, nobody knows.
func runBytes(b *config.Bench) float64 {
	s := b.Record.PreTriggerS + b.Guard.WatchWaitS + b.Guard.SafeS
	if b.Guard.RampPaS > 0 {
		s += b.Guard.ExpectPa / b.Guard.RampPaS
	}
	rate := 0.0 // bytes a second
	for i, hz := range b.Detect.RateHz {
		if b.Instruments[b.Channels[i].Instrument].Modbus != nil {
			rate += floatBytes * hz
		} else {
			rate += countBytes * hz
		}
	}
	return rate * s
}

// spaceAsked is the free space that arming asks for, bytes: twice a run, and
// what the bench description states if that is more. Where it states zero,
// nothing is asked for.
func spaceAsked(b *config.Bench) uint64 {
	if b.Record.MinFreeBytes == 0 {
		return 0
	}
	return max(b.Record.MinFreeBytes, uint64(2*runBytes(b)))
}

// tooLittle says that there is less; empty: there is enough.
func tooLittle(b *config.Bench, free uint64) string {
	asked := spaceAsked(b)
	if free >= asked {
		return ""
	}
	why := "min_free_MB of the bench description"
	if asked > b.Record.MinFreeBytes {
		why = "twice what a run takes"
	}
	return fmt.Sprintf("%d MB are free where runs are kept, %d are asked for (%s)", free/1e6, asked/1e6, why)
}
