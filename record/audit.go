package record

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
)

// An AuditRow is one thing that a person entered. Each row's hash covers the
// row before, so that a row which was changed, left out or put in between shows.
// It is a guard against careless hands, not against somebody who makes the
// whole chain again.
type AuditRow struct {
	N       int64  `json:"n"` // 1, 2, 3, ... without holes
	AtUTC   int64  `json:"at_utc_ns"`
	Who     string `json:"who"`
	Verb    string `json:"verb"`    // intake, take, release, set-aside, outcome, review
	Subject string `json:"subject"` // specimen, lot or run
	Detail  string `json:"detail,omitempty"`
	Hash    string `json:"hash"` // SHA-256 in hexadecimal
}

// Seal gives the row the hash that follows the one before; the first row
// follows the empty hash.
func (r *AuditRow) Seal(before string) {
	r.Hash = ""
	b, err := json.Marshal(struct {
		Before string
		Row    AuditRow
	}{before, *r})
	if err != nil {
		b = []byte(before) // strings and integers can't fail to be written
	}
	sum := sha256.Sum256(b)
	r.Hash = hex.EncodeToString(sum[:])
}

// CheckChain says where a list of all rows is damaged; nil: it is whole.
func CheckChain(rows []AuditRow) error {
	before := ""
	for i, r := range rows {
		want := r
		want.Seal(before)
		switch {
		case r.N != int64(i)+1:
			return fmt.Errorf("audit: row %d stands where row %d belongs: a row was removed or put in; compare with a copy", r.N, i+1)
		case want.Hash != r.Hash:
			return fmt.Errorf("audit: row %d (%s of %s by %s) doesn't fit its hash: it or the row before was changed; compare with a copy", r.N, r.Verb, r.Subject, r.Who)
		}
		before = r.Hash
	}
	return nil
}
