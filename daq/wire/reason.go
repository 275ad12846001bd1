package wire

// A reason says why a message was refused.
type reason uint8

const (
	refusedNothing reason = iota
	refusedChecksum
	refusedForm
	refusedLength
	refusedVersion
	refusedColumns
	refusedFields
	refusedNumber
	refusedRange
	refusedDecimals
	refusedOrder
)

var reasons = [...]string{
	refusedNothing:  "",
	refusedChecksum: "the checksum doesn't match: look for noise, a loose connector or a wrong line speed",
	refusedForm:     "the message is torn or of another form: check the protocol and the line speed",
	refusedLength:   "the message is longer than the protocol allows: check the protocol and the line speed",
	refusedVersion:  "the frame is of another version: this program reads version 1",
	refusedColumns:  "the frame has another number of channels: correct the instrument's columns",
	refusedFields:   "the line has another number of fields: correct fields or delimiter",
	refusedNumber:   "a field is no plain decimal number: check which fields are mapped",
	refusedRange:    "a number is too large for its decimals or its counter: lower decimals, correct the wrap",
	refusedDecimals: "a number has more decimals than its column keeps: raise decimals",
	refusedOrder:    "the message repeats or precedes one that was already taken",
}

func (r reason) String() string {
	if int(r) < len(reasons) {
		return reasons[r]
	}
	return ""
}
