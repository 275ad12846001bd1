package main

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"math/rand/v2"
	"strconv"
	"strings"

	"ventward/record"
	"ventward/sim"
	"ventward/store"
)

// demoWho is who enters things in the demo; demoReviewer is the second person.
const (
	demoWho      = "demo"
	demoReviewer = "demo reviewer"
)

// strokesAPiece is how many strokes of the scoring punch lie between two pieces
// that come to the bench.
const strokesAPiece = 120

// receive takes the demo's lots in, through the same door as any list, when the
// piece is not in the catalog yet or was used: another delivery then, whose ids
// and lots end in its number. The piece gets its id and lot of the list.
func (d *demo) receive(piece *sim.Specimen) error {
	const mostDeliveries = 10000
	id, lot := piece.ID, piece.Lot
	for delivery := 1; delivery <= mostDeliveries; delivery++ {
		piece.ID, piece.Lot = delivered(id, delivery), delivered(lot, delivery)
		e, err := d.store.Specimen(piece.ID)
		if errors.Is(err, store.ErrNoSpecimen) {
			return d.deliver(delivery)
		}
		if err != nil || e.Run == "" && e.Aside == "" {
			return err
		}
	}
	return fmt.Errorf("%d deliveries of %s are used up: name an empty data folder with --data", mostDeliveries, id)
}

// deliveryMark stands between a name of the simulated world and the number of
// its delivery; the world's own names don't hold it.
const deliveryMark = "."

func delivered(name string, delivery int) string {
	if delivery == 1 {
		return name
	}
	return name + deliveryMark + strconv.Itoa(delivery)
}

// inWorld is a specimen's id in the simulated world.
func inWorld(id string) string {
	name, _, _ := strings.Cut(id, deliveryMark)
	return name
}

// deliver takes in one delivery of all the world's lots.
func (d *demo) deliver(delivery int) error {
	w := sim.DefaultWorld(d.o.seed)
	if d.o.runaway() {
		w = sim.RunawayWorld(d.o.seed)
	}
	name := fmt.Sprintf("delivery-%d.csv", delivery)
	rows, _, err := record.ReadSpecimens(bytes.NewReader(intakeList(w, delivery)), name)
	if err != nil {
		return err
	}
	return d.store.AddSpecimens(d.daemon.by(demoWho), name, rows)
}

// intakeList is the list that comes with the world's lots. A worn punch leaves
// more metal, which opens later: the residual thickness goes with the opening
// pressure, and was measured with an error.
func intakeList(w *sim.World, delivery int) []byte {
	rng := rand.New(rand.NewPCG(w.Seed, uint64(delivery)))
	var b bytes.Buffer
	out := csv.NewWriter(&b)
	_ = out.Write([]string{"id", "lot", "feature", "residual_um", "die", "strokes", "trigger"}) // a buffer takes everything
	strokes := 0
	for _, l := range w.Lots {
		for i := range l.Pieces {
			p := &l.Pieces[i]
			row := []string{delivered(p.ID, delivery), delivered(l.Name, delivery), l.Under, "", "", "", ""}
			switch {
			case p.Cell != nil:
				row[6] = "heater"
			case l.Under == record.BottomVent && len(p.Features) > 0:
				strokes += strokesAPiece
				const umPerPa, um = 3.1e-5, 0.8 // 87 µm at 28 bar
				row[3] = strconv.FormatFloat(umPerPa*p.Features[0].OpensPa+um*rng.NormFloat64(), 'f', 1, 64)
				row[4], row[5] = "D2", strconv.Itoa(strokes)
			}
			_ = out.Write(row)
		}
	}
	out.Flush()
	return b.Bytes()
}

// tidy ends what a demo that was stopped in mid-shot left: nobody saw what
// became of those pieces.
func (d *demo) tidy() error {
	waits, err := d.store.Awaiting()
	if err != nil {
		return err
	}
	for i := range waits {
		if err := d.outcome(waits[i].Run, record.Outcome{Extent: record.Held, Remark: "the demo was stopped during the shot"}); err != nil {
			return err
		}
		r := record.Review{Run: waits[i].Run, Ruling: record.RuledInvalid, Reason: "the demo was stopped during the shot", Who: demoReviewer, AtUTC: d.time.Wall()}
		if err := d.store.PutReview(r); err != nil {
			return err
		}
	}
	return nil
}

// outcome enters what was found on the specimen of a run.
func (d *demo) outcome(run string, o record.Outcome) error {
	o.Run, o.Who, o.AtUTC = run, demoWho, d.time.Wall()
	return d.store.PutOutcome(o)
}

// look enters what a person would find on the specimen, and has a second one
// review the shot.
func (d *demo) look(run string, happened []sim.Truth) error {
	o := record.Outcome{Extent: record.Held}
	for i := range happened {
		if h := &happened[i]; (h.Opens() || h.Event == "first-venting" || h.Event == "second-venting" || h.Event == "breach") && h.Feature != "" {
			o.Extent, o.Feature = record.Full, h.Feature
		}
	}
	if err := d.outcome(run, o); err != nil {
		return err
	}
	return d.store.PutReview(record.Review{Run: run, Ruling: record.RuledValid, Who: demoReviewer, AtUTC: d.time.Wall()})
}
