// Package report renders the results of a run or a lot, as a document or as
// JSON lines.
//
// It stands at the edge of the program: Pa, m² and ns inside become bar, mm²
// and s here, and every field's name ends in its unit.
package report
