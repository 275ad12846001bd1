package guard

// Limits of an operator's load. Source: ANSI/ISA-18.2-2016, IEC 62682, EEMUA
// 191 (from memory): an alarm chatters at 3 announcements a minute; a flood
// begins above 10 announcements in 10 min and is over below 5; an alarm that
// stands for a day is stale.
const (
	chatterNS   = int64(60e9)
	chatterN    = 3
	floodNS     = int64(600e9)
	floodBegins = 10
	floodOver   = 5
	staleNS     = int64(24 * 3600e9)
	loadRing    = 64 // announcements remembered; more within 10 min are told as this many
)

// load counts announcements.
type load struct {
	Total uint64            `json:"total"`
	Times []int64           `json:"times"` // ring of the newest announcements, by Total
	Rules [][chatterN]int64 `json:"rules"` // by rule, newest last
	Flood bool              `json:"flood,omitempty"`
	Since int64             `json:"since,omitempty"`
	Spent int64             `json:"spent,omitempty"` // ns in floods that are over
}

// count notes an announcement and tells whether the rule chatters.
func (l *load) count(rule int, now int64) bool {
	if len(l.Times) < loadRing {
		l.Times = append(l.Times, now)
	} else {
		l.Times[l.Total%loadRing] = now
	}
	l.Total++
	r := &l.Rules[rule]
	copy(r[:], r[1:])
	r[chatterN-1] = now
	l.judge(now)
	return chatters(r, now)
}

// rang tells whether the rule was announced at this very time already.
func (l *load) rang(rule int, now int64) bool { return l.Rules[rule][chatterN-1] == now }

func chatters(r *[chatterN]int64, now int64) bool { return r[0] != 0 && now-r[0] < chatterNS }

// recent is the number of announcements in the last 10 min, at most loadRing.
func (l *load) recent(now int64) int {
	n := 0
	for _, t := range l.Times {
		if now-t < floodNS {
			n++
		}
	}
	return n
}

// judge moves the flood.
func (l *load) judge(now int64) {
	switch n := l.recent(now); {
	case !l.Flood && n > floodBegins:
		l.Flood, l.Since = true, now
	case l.Flood && n < floodOver:
		l.Flood, l.Spent = false, l.Spent+now-l.Since
	}
}

// Load is what the alarms ask of an operator.
type Load struct {
	Total      uint64   `json:"total"`           // announcements so far
	Recent     int      `json:"recent"`          // of the last 10 min; 64 means at least 64
	Flood      bool     `json:"flood,omitempty"` // more than 10 in 10 min, and not yet below 5
	FloodSince int64    `json:"flood_since,omitempty"`
	FloodS     float64  `json:"flood_s,omitempty"`    // time in floods so far, s
	Chattering []string `json:"chattering,omitempty"` // rules announced three times or more in the last minute
	Stale      int      `json:"stale,omitempty"`      // alarms that have stood for a day
}

// Load returns the operator's load at the guard's own time.
func (g *Guard) Load() Load {
	l, now := &g.s.Load, g.s.Now
	v := Load{Total: l.Total, Recent: l.recent(now), Flood: l.Flood, FloodS: float64(l.Spent) * 1e-9}
	if l.Flood {
		v.FloodSince = l.Since
		v.FloodS += float64(now-l.Since) * 1e-9
	}
	for i := range l.Rules {
		if chatters(&l.Rules[i], now) {
			v.Chattering = append(v.Chattering, g.o.Rules[i].Name)
		}
		if a := &g.s.Alarms[i]; (a.State == Unacknowledged || a.State == Acknowledged) && now-a.Since > staleNS {
			v.Stale++
		}
	}
	return v
}
