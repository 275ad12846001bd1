// Package record describes what a lab keeps on paper: specimens and their lots
// as they come in, what became of each shot, its review, and the audit chain
// over all that persons entered. Lengths are m; times are UTC, ns since 1970.
package record
