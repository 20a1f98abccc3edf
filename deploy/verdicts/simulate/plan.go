package simulate

import "fmt"

// Plan says which car visits a cell in a week.
type Plan int

// The visit plans. A car's home is three cells.
const (
	// Round is the demo's: every week each cell sees the next of the cars.
	Round Plan = iota
	// Home leaves the cars at home three weeks of four; in the fourth they
	// are one, two or three homes further, in turn.
	Home
	// Stay leaves every car at home for ever: cells and cars cannot be told
	// apart.
	Stay
	// OneStays is Round for three cars and nine cells; the last car never
	// leaves its three cells.
	OneStays
)

// String returns the plan's name.
func (p Plan) String() string {
	switch p {
	case Round:
		return "round"
	case Home:
		return "home"
	case Stay:
		return "stay"
	case OneStays:
		return "one stays"
	}
	return fmt.Sprintf("Plan(%d)", int(p))
}

// Numbers of a fleet.
const (
	Cells = 12
	Cars  = 4
	homes = Cells / Cars
)

// Car returns the car that visits cell c in week w.
func (p Plan) Car(c, w int) int {
	home := c / homes
	switch p {
	case Home:
		if w%4 == 3 {
			return (home + 1 + w/4%(Cars-1)) % Cars
		}
	case Round:
		return (c + w) % Cars
	case OneStays:
		if home < Cars-1 {
			return (c + w) % (Cars - 1)
		}
	}
	return home
}

// Separable reports whether the visits tell the cell's offset from the cars'
// levels: its part of the network of visits holds more than half of the cells.
func (p Plan) Separable(c int) bool {
	switch p {
	case Stay:
		return false
	case OneStays:
		return c/homes < Cars-1
	}
	return true
}
