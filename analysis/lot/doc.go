// Package lot describes a lot of specimens by its distribution, tolerance
// limits, capability and opening order.
//
// It is pure arithmetic on lists of shots. Pressures are Pa gauge, thicknesses
// m, temperatures °C; the statistics themselves have no unit. Nothing is ever
// left out silently: a shot that doesn't count is listed with its reason, an
// outlier is flagged and stays in, a shot that only held "at least" is treated
// as right-censored, and shots under different conditions are described apart
// unless the caller pools them by name (Pool).
//
// What a result may claim is limited by the number of shots: tolerance limits
// use the exact factors for n, confidence and coverage, rates carry exact
// binomial bounds, and a probability from a normal tail is never claimed below
// SmallestClaim.
package lot
