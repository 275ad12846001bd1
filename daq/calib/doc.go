// Package calib converts raw readings to engineering units, with their
// uncertainty.
package calib
