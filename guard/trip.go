package guard

// A Trip is the state of one rule's demand to make safe. It latches: only a
// reset, after its condition is gone, ends it.
type Trip struct {
	Rule    string `json:"rule"`
	Tripped bool   `json:"tripped"`
	Since   int64  `json:"since,omitempty"` // bench time, ns
	Stands  bool   `json:"stands"`          // the condition holds now
	Outputs []int  `json:"outputs"`
}
