package guard

// A Vote says how many of a rule's channels must see the condition: MooN, M
// out of N.
type Vote string

const (
	Any        Vote = ""     // any channel; a faulty one has no vote
	OneOfOne   Vote = "1oo1" //
	OneOfTwo   Vote = "1oo2" //
	TwoOfTwo   Vote = "2oo2" //
	TwoOfThree Vote = "2oo3" //
)

// needed is the number of sound channels that must see the condition, by the
// number of channels that are no measurement. Every degradation goes towards
// tripping; with no sound channel left the rule holds by itself (0). That a
// degraded vote leans to the safe side is common practice, no source.
//
//	faulty  1oo1   1oo2   2oo2   2oo3
//	0       1oo1   1oo2   2oo2   2oo3
//	1       holds  1oo1   1oo1   1oo2
//	2              holds  holds  1oo1
//	3                            holds
var needed = map[Vote][]int{
	OneOfOne:   {1, 0},
	OneOfTwo:   {1, 1, 0},
	TwoOfTwo:   {2, 1, 0},
	TwoOfThree: {2, 1, 1, 0},
}

// Channels is the number of channels the vote is over; 0 for Any.
func (v Vote) Channels() int { return max(0, len(needed[v])-1) }

// Known tells whether the vote is one of the kinds above.
func (v Vote) Known() bool { return v == Any || needed[v] != nil }

// Holds tells whether the condition holds when seen of the sound channels see
// it and faulty channels are no measurement.
func (v Vote) Holds(seen, faulty int) bool {
	if v == Any {
		return seen > 0
	}
	n := needed[v]
	return seen >= n[min(max(faulty, 0), len(n)-1)]
}

// Degraded names what the vote has become with faulty channels: "1oo2",
// "holds", or empty while nothing is faulty.
func (v Vote) Degraded(faulty int) string {
	if v == Any || faulty <= 0 {
		return ""
	}
	n := needed[v]
	left := v.Channels() - faulty
	if left <= 0 {
		return "holds"
	}
	return string(rune('0'+n[faulty])) + "oo" + string(rune('0'+left))
}
