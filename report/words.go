package report

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"ventward/analysis/lot"
)

// LotSentence says in words what the shots of a lot show, with its numbers,
// conditions and exclusions.
func LotSentence(s *lot.Summary) string {
	var b strings.Builder
	b.WriteString(statement(s))
	b.WriteString(limitsAndVerdict(s))
	b.WriteString(basis(s))
	return b.String()
}

// statement is the first sentence: what may be claimed of the lot.
func statement(s *lot.Summary) string {
	who := "this lot's " + plural(s.Group.Feature)
	where := "of lot " + s.Group.Lot
	if c := conditionWords(s.Group.Apart); c != "" {
		where += " (" + c + ")"
	}
	if s.ToleranceLow == nil {
		why := s.Absent["tolerance_barg"]
		if s.Mean != nil {
			return fmt.Sprintf("Nothing can be said of %s from these shots %s: %s (%s bar gauge).", who, where, why, figures(*s.Mean/PaPerBar, 2))
		}
		return fmt.Sprintf("Nothing can be said of %s from these shots %s: %s.", who, where, why)
	}
	head := fmt.Sprintf("With %s confidence at least %s of %s", percent(s.Statement.Confidence), percent(s.Statement.Coverage), who)
	if s.Matters > 0 {
		head = fmt.Sprintf("If only the openings counted, at least %s of %s would, with %s confidence,", percent(s.Statement.Coverage), who, percent(s.Statement.Confidence))
	}
	verb := "open"
	if s.Group.Feature == lot.Housing {
		verb = "hold"
	}
	switch {
	case s.Limits.Low != nil && s.Limits.High == nil && s.Group.Feature == lot.Housing:
		head += fmt.Sprintf(" hold at least %s bar gauge", floorBar(*s.LowerOne))
	case s.Limits.Low != nil && s.Limits.High == nil:
		head += fmt.Sprintf(" %s above %s bar gauge", verb, floorBar(*s.LowerOne))
	case s.Limits.High != nil && s.Limits.Low == nil:
		head += fmt.Sprintf(" %s below %s bar gauge", "open", ceilBar(*s.UpperOne))
	default:
		head += fmt.Sprintf(" open between %s and %s bar gauge", floorBar(*s.ToleranceLow), ceilBar(*s.ToleranceHigh))
	}
	return fmt.Sprintf("%s (lot %s%s).", head, s.Group.Lot, prefixed("; ", conditionWords(s.Group.Apart)))
}

// limitsAndVerdict holds it against the limits.
func limitsAndVerdict(s *lot.Summary) string {
	limits := limitWords(s.Limits)
	switch s.Verdict {
	case lot.Pass:
		return fmt.Sprintf(" That is within the limits (%s): the statement holds.", limits)
	case lot.None:
		return " No acceptance limits are given, so there is no verdict."
	case lot.Undecided:
		return fmt.Sprintf(" Against the limits (%s) the verdict is undecided: %s.", limits, s.Why)
	}
	text := fmt.Sprintf(" That is not within the limits (%s): the statement fails", limits)
	if s.ToleranceLow == nil || s.Matters > 0 {
		return fmt.Sprintf(" The limits (%s) are not kept: a piece held more than the upper one.", limits)
	}
	if len(s.Outside) == 0 {
		text += ", although no piece seen was outside them"
	}
	text += "."
	switch p := s.Plan; {
	case p == nil:
	case p.Shots > 0 && p.Shots > s.N:
		text += fmt.Sprintf(" %s too few: with the same mean and spread %d shots would show it%s.", sayNumber(s.N), p.Shots, shiftWords(s))
	case p.Shots == 0:
		text += fmt.Sprintf(" More shots alone won't show it (not up to %d): the mean lies %s s from the nearer limit.", p.Most, figures(p.K, 2))
	}
	return text
}

// shiftWords says by how much the mean would have to move instead, where that
// alone would do.
func shiftWords(s *lot.Summary) string {
	low, high := *s.ToleranceLow, *s.ToleranceHigh
	if !s.Limits.Both() || high-low > *s.Limits.High-*s.Limits.Low {
		return ""
	}
	switch {
	case high > *s.Limits.High:
		return fmt.Sprintf(", or a mean lower by %s bar", ceilBar(high-*s.Limits.High))
	case low < *s.Limits.Low:
		return fmt.Sprintf(", or a mean higher by %s bar", ceilBar(*s.Limits.Low-low))
	}
	return ""
}

// basis is what the statement rests on.
func basis(s *lot.Summary) string {
	text := fmt.Sprintf(" It rests on %s", count(s.N, "valid shot"))
	if s.S != nil {
		text += fmt.Sprintf(" (mean %s, s %s, from %s to %s bar gauge)", figures(*s.Mean/PaPerBar, 2), figures(*s.S/PaPerBar, 2), figures(*s.Min/PaPerBar, 2), figures(*s.Max/PaPerBar, 2))
	}
	if n := len(s.Censored); n > 0 {
		text += fmt.Sprintf("; %s only %s \"at least\" a pressure (%s)", count(n, "further shot"), "held", named(s.Censored))
	}
	if n := len(s.Excluded); n > 0 {
		text += fmt.Sprintf("; %s excluded (%s)", wasWere(n, "shot"), named(s.Excluded))
	} else {
		text += "; no shot was excluded"
	}
	if n := len(s.Outside); n > 0 {
		text += fmt.Sprintf("; %s outside the limits (%s)", wasWere(n, "piece"), named(s.Outside))
	}
	if len(s.Group.Pooled) > 0 {
		names := make([]string, len(s.Group.Pooled))
		for i, c := range s.Group.Pooled {
			names[i] = string(c)
		}
		text += "; pooled as asked across " + strings.Join(names, ", ")
	}
	return text + "."
}

// LotCautions are the reservations that a reader of a lot's statement needs.
func LotCautions(s *lot.Summary) []string {
	var out []string
	if s.Doubtful() {
		out = append(out, fmt.Sprintf("The shots contradict a normal distribution (Anderson-Darling p = %s): tolerance limits rest on one, so look at the dot plot before using them.", probability(s.Anderson.P)))
	}
	if s.Grubbs != nil && s.Grubbs.Flagged() {
		out = append(out, fmt.Sprintf("Shot %s stands farther out than chance explains (Grubbs %s over %s). It stays in: an outlier is excluded only for a reason found on the bench.", s.GrubbsShot, figures(s.Grubbs.G, 2), figures(s.Grubbs.Critical, 2)))
	}
	if r := s.Repeatability; r != nil && !r.Enough {
		out = append(out, fmt.Sprintf("The measurement itself scatters by %s of the lot's own spread, more than %s: part of the spread is the bench's.", percent2(r.Ratio), percent(r.Limit)))
	}
	if s.Matters > 0 {
		out = append(out, fmt.Sprintf("%s in the range in which the lot opens: mean, s and the interval leave them out and may be too low and too narrow. The censored fits take them in.", count(s.Matters, "bound")+plainVerb(s.Matters, " lies", " lie")))
	}
	if s.N >= 2 && s.N < 10 {
		out = append(out, fmt.Sprintf("%s: the factors are exact for so few, but whether the distribution is normal can't be seen.", count(s.N, "valid shot")))
	}
	if w := s.Wear; w != nil && w.Reached {
		out = append(out, "At the punch's present strokes a tolerance limit has met its acceptance limit: look at the punch, regrind or replace it.")
	} else if w != nil && w.StrokesLeft != nil && w.P < 0.05 {
		out = append(out, fmt.Sprintf("By the trend over the punch's strokes a tolerance limit meets its acceptance limit in about %s strokes (an extrapolation).", figures(*w.StrokesLeft, 0)))
	}
	return out
}

// OrderSentence says in words how safe an opening order is.
func OrderSentence(p *lot.Pair, confidence float64) string {
	first, second := plural(p.First.Group.Feature), p.Second.Group.Feature
	where := "lot " + p.First.Group.Lot
	if p.Second.Group.Lot != p.First.Group.Lot {
		where = "lots " + p.First.Group.Lot + " and " + p.Second.Group.Lot
	}
	if p.Absent != "" {
		return fmt.Sprintf("No statement on the order of %s and %s (%s): %s.", first, plural(second), where, p.Absent)
	}
	return fmt.Sprintf("The probability that a %s gives way before the %s is below %s (%s confidence, %s, bound from a normal tail; beta %s, at least %s).", second, p.First.Group.Feature,
		probability(p.Order.PWrongUpper), percent(confidence), where, figures(p.Order.Beta, 2), figures(p.Order.BetaLower, 2))
}

func plural(feature string) string {
	switch {
	case feature == "" || strings.HasSuffix(feature, "s"):
		return feature
	}
	return feature + "s"
}

func conditionWords(apart []lot.Stated) string {
	parts := make([]string, 0, len(apart))
	for _, c := range apart {
		v := c.Value
		if v == "" {
			v = "not stated"
		}
		parts = append(parts, string(c.Condition)+" "+v)
	}
	return strings.Join(parts, ", ")
}

func limitWords(l lot.Limits) string {
	switch {
	case l.Both():
		return fmt.Sprintf("%s to %s bar gauge", figures(*l.Low/PaPerBar, 1), figures(*l.High/PaPerBar, 1))
	case l.Low != nil:
		return fmt.Sprintf("at least %s bar gauge", figures(*l.Low/PaPerBar, 1))
	case l.High != nil:
		return fmt.Sprintf("at most %s bar gauge", figures(*l.High/PaPerBar, 1))
	}
	return "none"
}

// limitSource says whose limits those of the verdict are.
func limitSource(l lot.Limits) string {
	if !l.Any() {
		return ""
	}
	return l.From
}

func prefixed(prefix, s string) string {
	if s == "" {
		return ""
	}
	return prefix + s
}

// floorBar and ceilBar round a claimed bound away from the claim, never into it.
func floorBar(pa float64) string { return figures(math.Floor(pa/PaPerBar*100+1e-9)/100, 2) }
func ceilBar(pa float64) string  { return figures(math.Ceil(pa/PaPerBar*100-1e-9)/100, 2) }

func figures(v float64, decimals int) string {
	if math.Abs(v) < 0.5*math.Pow(10, -float64(decimals)) {
		v = 0 // never "-0"
	}
	return strconv.FormatFloat(v, 'f', decimals, 64)
}

// smallFigure writes a small positive number with two digits that count.
func smallFigure(v float64) string {
	if !(v > 0) {
		return "0"
	}
	return figures(v, max(0, 1-int(math.Floor(math.Log10(v)))))
}

func percent(f float64) string { return strconv.FormatFloat(f*100, 'g', 6, 64) + " %" }

// percent2 writes a share with two digits that count.
func percent2(f float64) string { return strconv.FormatFloat(f*100, 'g', 2, 64) + " %" }

// probability writes a small number so that it can be read aloud.
func probability(p float64) string {
	switch {
	case p >= 0.001:
		return strconv.FormatFloat(p, 'g', 2, 64)
	case p <= 0:
		return "0"
	}
	e := math.Floor(math.Log10(p) + 1e-9)
	m := math.Ceil(p/math.Pow(10, e)*10-1e-6) / 10
	if m == 1 {
		return fmt.Sprintf("1e%d", int(e))
	}
	return fmt.Sprintf("%se%d", strconv.FormatFloat(m, 'g', 2, 64), int(e))
}

func count(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

func wasWere(n int, noun string) string { return count(n, noun) + plainVerb(n, " was", " were") }

func plainVerb(n int, one, many string) string {
	if n == 1 {
		return one
	}
	return many
}

// sayNumber begins a sentence on how few there are.
func sayNumber(n int) string {
	if n == 1 {
		return "1 shot is"
	}
	return fmt.Sprintf("%d shots are", n)
}

// named lists shots as such: "shot 3", "shots 3, 5".
func named(shots []lot.Shot) string {
	return plainVerb(len(shots), "shot ", "shots ") + ids(shots)
}

// ids lists shots, at most eight by name.
func ids(shots []lot.Shot) string {
	const most = 8
	var names []string
	for i := range shots {
		if i == most {
			names = append(names, fmt.Sprintf("and %d more", len(shots)-most))
			break
		}
		names = append(names, shots[i].ID)
	}
	return strings.Join(names, ", ")
}
