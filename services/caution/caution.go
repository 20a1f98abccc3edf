// Package caution holds the cautions that go with every screen, list and page
// that asks somebody to do something in a cell.
package caution

// Car applies before a pull, a coast-down or any work beside turning rollers.
const Car = "Before a pull or coast-down: the car strapped down and its free wheels chocked; nobody in line with the rollers; " +
	"tyre speed and temperature limits kept; exhaust extraction running and the CO alarm working."

// Masses applies before masses are hung on a calibration arm.
const Masses = "Before masses go on the arm: rollers locked and brake power isolated; two people for heavy masses."

// First says what comes before anything Rollcall asks for.
const First = "Local codes, the dyno maker's instructions and licensed practice come first."
