// Package sheet reads a CSV list that people keep and names every row of it
// that is wrong.
package sheet
