// Command score measures the detector and the fit of openings on simulated
// traces against the limits that follow from the noise-free trace.
//
// It plays every scenario of package sim from numbered seeds, runs the same
// conditioner, monitor and fit as the daemon, and prints reached figures beside
// the goals. Seeds of development and of scoring are two ranges that do not
// meet; both are printed.
package main
