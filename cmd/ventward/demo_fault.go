package main

import (
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"

	"ventward/detect"
	"ventward/sim"
)

// faultAheadS is how long before the opening a fault of the demo begins.
const faultAheadS = 0.02

// everyFault and listFaults are the words for --fault that name no fault.
const (
	everyFault = "all"
	listFaults = "list"
)

// faultCourse states where a fault leads on the demo's burst bench when it
// begins just before the specimen opens. In every case the supply is demanded
// off, the run is kept whole and verifies.
type faultCourse struct {
	Name   string         `json:"fault"`
	Does   string         `json:"does"`
	Leads  string         `json:"leads_to"`
	Faults []detect.Fault `json:"sensor_faults"` // that are told of a channel
	Alarms []string       `json:"alarms"`        // rules of the bench that alarm, besides the one for openings
	Hidden bool           `json:"hidden"`        // no reading shows the opening itself: it is told late with what bounds it, or not at all
	Loses  bool           `json:"loses"`         // readings are lost, and counted
	// Doubles tells that the fault itself may be told as a second opening.
	Doubles bool `json:"doubles,omitempty"`
}

const (
	silentRule  = "Specimen pressure silent"
	faultyRule  = "Specimen transducer faulty"
	outputRule  = "Output not confirmed"
	lostRule    = "Instrument lost"
	relayRule   = "Watchdog"
	openingRule = "Opening"
)

var faultCourses = []faultCourse{
	{Name: "spike", Leads: "told as a spike, never as an opening; the opening is found", Faults: []detect.Fault{detect.FaultSpike}},
	{Name: "spikes", Leads: "told as spikes; the opening among them is found", Faults: []detect.Fault{detect.FaultSpike}},
	{Name: "dropout", Leads: "the opening falls into the gap: told when readings come again, flagged gap, with wide bounds",
		Faults: []detect.Fault{detect.FaultGap}, Hidden: true, Loses: true},
	{Name: "frozen", Leads: "the transducer has no say and trips; the other one finds the opening", Faults: []detect.Fault{detect.FaultFrozen}, Alarms: []string{faultyRule}},
	{Name: "open-wire", Leads: "the transducer has no say and trips; the other one finds the opening", Faults: []detect.Fault{detect.FaultRail}, Alarms: []string{faultyRule}},
	{Name: "rail", Leads: "the transducer has no say and trips; the other one finds the opening", Faults: []detect.Fault{detect.FaultRail}, Alarms: []string{faultyRule}},
	{Name: "bit-flips", Leads: "messages with a wrong checksum are refused and counted as lost; the opening is found", Loses: true},
	{Name: "lost-bytes", Leads: "torn messages are refused and counted as lost; the opening is found", Loses: true},
	{Name: "stall", Leads: "readings come late and all of them come; the opening is found"},
	{Name: "unplug", Leads: "the instrument is lost, then the pressure silent: trip, and no more edges for the watchdog relay. No drop is seen, which does not mean not opened",
		Faults: []detect.Fault{detect.FaultGap}, Alarms: []string{lostRule, silentRule, relayRule}, Hidden: true},
	{Name: "device-reset", Leads: "the device counts anew: a gap; the opening in it is told late, flagged gap", Faults: []detect.Fault{detect.FaultGap}, Hidden: true},
	{Name: "thermal-shock", Leads: "the opening is found; what the heated diaphragm reads after it is no opening"},
	{Name: "clock-drift", Leads: "the clock is followed; the opening is found"},
	{Name: "noise", Leads: "the first readings of the noise are told as spikes; the opening is found, less certain, and may be told twice", Doubles: true},
	{Name: "hum", Leads: "the opening is found; the first period of a hum of 15 standard deviations may be told as one more", Doubles: true},
	{Name: "wrong-crc", Leads: "outputs can't be confirmed: unknown, which counts as unsafe: alarm, no proof of an edge, and a trip when it lasts longer than half a second", Alarms: []string{relayRule}},
	{Name: "silence", Leads: "outputs can't be confirmed: unknown, which counts as unsafe: alarm, no proof of an edge, and a trip when it lasts longer than half a second", Alarms: []string{relayRule}},
	{Name: "late-answers", Leads: "late answers are thrown away or don't fit the question: outputs unknown, trip, alarm", Alarms: []string{outputRule, relayRule}},
	{Name: "exception", Leads: "the device refuses: outputs unknown, which counts as unsafe: alarm, no proof of an edge", Alarms: []string{relayRule}},
}

func init() {
	for i := range faultCourses {
		f := &faultCourses[i]
		k := slices.IndexFunc(sim.Faults(), func(k sim.FaultKind) bool { return k.Name == f.Name })
		f.Does = sim.Faults()[k].Sentence
	}
}

// demoFaults are the faults of a demo's shots, one after the other; none
// without --fault.
func (o *demoOptions) demoFaults() []string {
	switch o.fault {
	case "":
		return nil
	case everyFault:
		var names []string
		for i := range faultCourses {
			names = append(names, faultCourses[i].Name)
		}
		return names
	}
	return strings.Split(o.fault, ",")
}

// faultOf is the fault of shot n, counted from 1; empty: none.
func (o *demoOptions) faultOf(n int) string {
	names := o.demoFaults()
	if len(names) == 0 {
		return ""
	}
	return names[(n-1)%len(names)]
}

func courseOf(name string) *faultCourse {
	i := slices.IndexFunc(faultCourses, func(f faultCourse) bool { return f.Name == name })
	if i < 0 {
		return nil
	}
	return &faultCourses[i]
}

func (o *demoOptions) checkFault() error {
	if o.fault == listFaults {
		return nil
	}
	for _, name := range o.demoFaults() {
		if courseOf(name) == nil {
			return badUse("--fault %q: use %s, %s, or some of %s", name, listFaults, everyFault, faultNames())
		}
	}
	return nil
}

// tellFaults prints where each fault leads.
func tellFaults(w io.Writer, asJSON bool) error {
	if asJSON {
		enc := json.NewEncoder(w)
		for i := range faultCourses {
			if err := enc.Encode(&faultCourses[i]); err != nil {
				return err
			}
		}
		return nil
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "fault\talarms besides the opening's\twhere it leads when it begins 20 ms before an opening")
	for i := range faultCourses {
		f := &faultCourses[i]
		alarms := strings.Join(f.Alarms, ", ")
		if alarms == "" {
			alarms = "-"
		}
		fmt.Fprintf(t, "%s\t%s\t%s\n", f.Name, alarms, f.Leads)
	}
	fmt.Fprintln(t, "\nIn every case the supply is demanded off, and the run is kept, verifies, and counts what was lost.")
	return t.Flush()
}
