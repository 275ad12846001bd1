package detect

import "math"

// A passing is what the line through a full baseline makes of a wave of amplitude 1.
type passing struct {
	x     float64 // half of what the wave turns by from value to value, rad
	sin   float64 // of x
	mean  float64
	slope float64 // per value, a quarter of a turn from the mean
}

// passingOf is the passing of a wave of f turns a value.
func passingOf(f float64) passing {
	const b = spanMax
	y := passing{x: math.Pi * f, mean: 1}
	y.sin = math.Sin(y.x)
	if math.Abs(y.sin) < 1e-9 {
		return y
	}
	sin, cos := math.Sincos(b * y.x)
	y.mean = sin / (b * y.sin)
	// the derivative of the mean to f: the sum of the wave times its place
	y.slope = -6 / (b*b - 1.0) * (cos - y.mean*math.Cos(y.x)) / y.sin
	return y
}

// square is the square of the amplitude that the wave has in the mean of length
// values seen from the line.
func (y *passing) square(length int) float64 {
	d := float64(gapFull) + (spanMax+1)/2.0 - (float64(length)+1)/2
	sin, cos := math.Sincos(-2 * y.x * d)
	own := 1.0
	if math.Abs(y.sin) >= 1e-9 {
		own = math.Sin(y.x*float64(length)) / (float64(length) * y.sin)
	}
	re := own - (cos*y.mean - sin*y.slope*d)
	im := -(sin*y.mean + cos*y.slope*d)
	return re*re + im*im
}
