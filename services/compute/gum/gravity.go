package gum

import (
	"math"

	"rollcall/services/fleet"
)

// The ellipsoid WGS 84. Source: NGA.STND.0036_1.0.0_WGS84, tables 3.1 and 3.3
// to 3.6.
const (
	wgs84Axis       = 6378137.0         // m, semi-major
	wgs84Flattening = 1 / 298.257223563 //
	wgs84Equator    = 9.7803253359      // m/s², normal gravity at the equator
	wgs84K          = 0.00193185265241  // Somigliana's constant
	wgs84E2         = 0.00669437999014  // first eccentricity squared
	wgs84M          = 0.00344978650684  // ω²a²b/GM
)

// UGravity is the relative standard uncertainty of Gravity: the local field
// departs from the ellipsoid's by about 50 mGal (5e-4 m/s²). Common practice,
// no source.
const UGravity = 5e-5

// Gravity returns normal gravity at a latitude (rad) and height (m above sea
// level),
//
//	γ0 = γe·(1 + k·sin²φ)/√(1 − e²·sin²φ)
//	γ = γ0·(1 − 2h/a·(1 + f + m − 2f·sin²φ) + 3h²/a²)
//
// m/s², on the ellipsoid WGS 84 (at 45° and sea level 9.806198; GRS 80 gives
// 9.806199). Source: NGA.STND.0036_1.0.0_WGS84, eqs. 4-1 and 4-3 (Somigliana).
func Gravity(latitude, height float64) float64 {
	s2 := math.Sin(latitude) * math.Sin(latitude)
	g := wgs84Equator * (1 + wgs84K*s2) / math.Sqrt(1-wgs84E2*s2)
	h := height / wgs84Axis
	return g * (1 - 2*h*(1+wgs84Flattening+wgs84M-2*wgs84Flattening*s2) + 3*h*h)
}

// SiteGravity returns a site's gravity: as measured where the registry has it,
// else Gravity of its latitude and height.
func SiteGravity(s fleet.Site) float64 {
	if s.Gravity > 0 {
		return s.Gravity
	}
	return Gravity(s.Latitude, s.Height)
}

// uMeasuredGravity is the relative standard uncertainty of gravity as measured
// at a site: a gravimeter or a survey's map gives 1 mGal and better, height and
// building another. Common practice, no source.
const uMeasuredGravity = 2e-6

// SiteGravityU returns the relative standard uncertainty of SiteGravity.
func SiteGravityU(s fleet.Site) float64 {
	if s.Gravity > 0 {
		return uMeasuredGravity
	}
	return UGravity
}
