// Package certificate makes the certificate of a calibration check: the
// document that a quality manager signs, as data (JSON), as part of a page
// (HTML) and as PDF.
//
// In: a check or a visit's two checks with what was computed of them, the
// registry's cell, site, masses and standards as they were, and who signs. Out:
// a Document, and from it the three forms, the same bytes for the same input.
// It reads no clock and no database: admin numbers and stores what it makes.
//
// A certificate holds the items that ISO/IEC 17025:2017, 7.8.2 and 7.8.4 ask of
// a calibration certificate (from memory), and claims no accreditation.
package certificate

import (
	"bytes"
	"encoding/json"
	"fmt"
	"time"
)

// Schema names the form of the JSON. A field may be added under the same name;
// any other change has another.
const Schema = "rollcall-certificate-1"

// Document is a certificate. Quantities are SI, as the names say; a ratio is
// plain, 0.01 is one percent; expanded uncertainties have their coverage factor
// beside them, or that of Coverage.
type Document struct {
	Schema   string    `json:"schema"`
	Title    string    `json:"title"`
	Number   string    `json:"number"`
	Version  int       `json:"version"`
	Replaces *Replaced `json:"replaces,omitempty"`
	// Related names the certificate that holds the check as found of the same
	// visit, when it was signed before the check as left came.
	Related string `json:"related_certificate,omitempty"`

	Issuer   string `json:"issuer"`
	Customer string `json:"customer"`
	Place    Place  `json:"place"`
	Item     Item   `json:"item"`

	IssuedAt     time.Time `json:"issued_at"`
	AuthorisedBy string    `json:"authorised_by"`

	Method       []string `json:"method"`
	Traceability string   `json:"traceability"`
	Masses       []Mass   `json:"masses,omitempty"`
	Standard     *Ref     `json:"standard,omitempty"`

	Checks []Check `json:"checks"`

	DecisionRule string   `json:"decision_rule"`
	Coverage     Coverage `json:"coverage"`
	Adjustment   string   `json:"adjustment"`
	Next         *Next    `json:"next_check,omitempty"`
	Remark       string   `json:"remark,omitempty"`
	Statements   []string `json:"statements"`
}

// Replaced is the version that this one replaces.
type Replaced struct {
	Number  string    `json:"number"`
	Version int       `json:"version"`
	SHA256  string    `json:"json_sha256"`
	At      time.Time `json:"issued_at"`
	Reason  string    `json:"reason"`
}

// Place is where the check was made.
type Place struct {
	SiteID          string  `json:"site_id"`
	Site            string  `json:"site_name"`
	Latitude        float64 `json:"latitude_rad"`
	Height          float64 `json:"height_m"`
	Gravity         float64 `json:"gravity_m_per_s2"`
	GravityU        float64 `json:"gravity_standard_uncertainty_ratio"`
	GravityMeasured bool    `json:"gravity_measured"`
	Zone            string  `json:"time_zone,omitempty"`
}

// Item is what was checked: a cell's load cell.
type Item struct {
	CellID         string  `json:"cell_id"`
	Cell           string  `json:"cell_name"`
	What           string  `json:"what"`
	LoadCellRange  float64 `json:"load_cell_range_n"`
	LeverArm       float64 `json:"lever_arm_m"`
	LeverArmU      float64 `json:"lever_arm_standard_uncertainty_m"`
	CalibrationArm float64 `json:"calibration_arm_m,omitempty"`
	CalArmU        float64 `json:"calibration_arm_standard_uncertainty_m,omitempty"`
	ArmAngleU      float64 `json:"arm_angle_standard_uncertainty_rad,omitempty"`
}

// Mass is a check mass that was used, with its certificate.
type Mass struct {
	ID          string     `json:"mass_id"`
	Mass        float64    `json:"conventional_mass_kg"`
	U           float64    `json:"expanded_uncertainty_kg"`
	Density     float64    `json:"density_kg_per_m3,omitempty"`
	Certificate string     `json:"certificate,omitempty"`
	Due         *time.Time `json:"due_at,omitempty"`
	Ended       bool       `json:"ended_before_check"`
}

// Ref is a reference standard that was used, with its certificate.
type Ref struct {
	ID          string     `json:"standard_id"`
	Kind        string     `json:"kind"`
	Range       float64    `json:"range"`
	RangeUnit   string     `json:"range_unit"`
	U           float64    `json:"expanded_uncertainty_ratio"`
	ULeast      float64    `json:"expanded_uncertainty_least"`
	Certificate string     `json:"certificate,omitempty"`
	Due         *time.Time `json:"due_at,omitempty"`
	Ended       bool       `json:"ended_before_check"`
}

// Check is one check with its results.
type Check struct {
	ID          string    `json:"check_id"`
	Kind        string    `json:"kind"`
	State       string    `json:"state"`
	PerformedAt time.Time `json:"performed_at"`
	PerformedBy string    `json:"performed_by"`
	ReceivedAt  time.Time `json:"received_at"`
	EffectiveAt time.Time `json:"effective_at"`
	Note        string    `json:"note,omitempty"`

	Air Air `json:"air"`
	// ArmAngle is the calibration arm's, as measured; absent: levelled.
	ArmAngle *float64 `json:"arm_angle_rad,omitempty"`

	Verdict  string   `json:"verdict"`
	Reason   string   `json:"reason"`
	Findings []string `json:"findings,omitempty"`

	Results []Result  `json:"results"`
	Points  []Point   `json:"loads,omitempty"`
	Read    []Reading `json:"readings,omitempty"`

	// InForce is the calibration by which readings were turned into forces when
	// the check was made; absent: the indicator was taken as it is.
	InForce  *Equation `json:"calibration_in_force,omitempty"`
	Equation *Equation `json:"equation,omitempty"`

	Drift *Drift `json:"drift,omitempty"`
	Class *Class `json:"class,omitempty"`
	// Risk is the probability that the decision on the check is wrong; absent:
	// nothing was decided, or it is not known.
	Risk *float64 `json:"wrong_decision_probability,omitempty"`

	Runs   []Run   `json:"runs,omitempty"`
	Pairs  []Pair  `json:"pairs_of_runs,omitempty"`
	Limits []Limit `json:"limits,omitempty"`
}

// Air is the air the check was made in.
type Air struct {
	Pressure    *float64 `json:"pressure_pa,omitempty"`
	Temperature *float64 `json:"temperature_k,omitempty"`
	Humidity    *float64 `json:"relative_humidity,omitempty"`
	Density     float64  `json:"density_kg_per_m3,omitempty"`
}

// Result is a figure with its uncertainty, tolerance and verdict.
type Result struct {
	Name      string   `json:"name"`
	Unit      string   `json:"unit"` // N, N·m or 1 (a ratio)
	Value     float64  `json:"value"`
	U         *float64 `json:"expanded_uncertainty,omitempty"`
	K         float64  `json:"coverage_factor,omitempty"`
	DoF       *float64 `json:"degrees_of_freedom,omitempty"` // absent: many
	Tolerance float64  `json:"tolerance,omitempty"`
	Verdict   string   `json:"verdict,omitempty"`
	// Risk is the probability that the verdict is wrong.
	Risk *float64 `json:"wrong_decision_probability,omitempty"`
	Note string   `json:"note,omitempty"`
	// Budget is where the uncertainty comes from; a contribution is standard and
	// in Unit.
	Budget []Part `json:"budget,omitempty"`
}

// Point is the mean of the readings of one load, direction and sense.
type Point struct {
	Load      float64  `json:"load_n"`
	Direction string   `json:"direction,omitempty"`
	Sense     string   `json:"sense,omitempty"`
	Count     int      `json:"readings"`
	Error     float64  `json:"error_n"`
	U         float64  `json:"expanded_uncertainty_n"`
	K         float64  `json:"coverage_factor,omitempty"`
	DoF       *float64 `json:"degrees_of_freedom,omitempty"`
	Tolerance float64  `json:"tolerance_n,omitempty"`
	Verdict   string   `json:"verdict,omitempty"`
	Risk      *float64 `json:"wrong_decision_probability,omitempty"`
}

// Reading is one reading with its error.
type Reading struct {
	Number    int      `json:"reading"` // in the order they were taken, from 1
	Cycle     int      `json:"cycle,omitempty"`
	Direction string   `json:"direction,omitempty"`
	Sense     string   `json:"sense,omitempty"`
	Mounting  int      `json:"mounting,omitempty"`
	Preload   bool     `json:"preload,omitempty"`
	Masses    []string `json:"mass_ids,omitempty"`
	Held      *float64 `json:"held_s,omitempty"`
	Load      *float64 `json:"load_n,omitempty"`
	Reading   *float64 `json:"reading_n,omitempty"`
	Error     *float64 `json:"error_n,omitempty"`
}

// Equation is an interpolation equation, reading in N as a function of force in
// N: the sum of Coefficients[i]·force^i. Covariance is that of the coefficients.
type Equation struct {
	Epoch        string      `json:"epoch,omitempty"`
	Degree       int         `json:"degree"`
	Coefficients []float64   `json:"coefficients"`
	Units        []string    `json:"coefficient_units"`
	Covariance   [][]float64 `json:"covariance"`
	ResidualSD   *float64    `json:"residual_standard_deviation_n,omitempty"`
	DoF          *float64    `json:"residual_degrees_of_freedom,omitempty"`
	Low          float64     `json:"lowest_load_n,omitempty"`
	High         float64     `json:"highest_load_n,omitempty"`
	LackOfFitF   *float64    `json:"lack_of_fit_f,omitempty"`
	LackOfFitP   *float64    `json:"lack_of_fit_p,omitempty"`
	Rule         string      `json:"degree_rule,omitempty"`
	Reason       string      `json:"degree_reason,omitempty"`
}

// Part is a line of an uncertainty budget.
type Part struct {
	Name         string   `json:"name"`
	Contribution float64  `json:"contribution"` // standard, in the result's unit
	DoF          *float64 `json:"degrees_of_freedom,omitempty"`
}

// Class is how the results stand against a table of class limits.
type Class struct {
	Table   string `json:"table"`
	Source  string `json:"source"`
	Asked   string `json:"asked,omitempty"`
	Reached string `json:"reached,omitempty"`
	// Complete says that every quantity of the table was measured.
	Complete bool `json:"complete"`
	// Unverified: the limits were not compared with the standard's own text.
	Unverified bool         `json:"not_compared_with_the_standard"`
	Limits     []ClassLimit `json:"limits,omitempty"`
	Said       string       `json:"said"`
}

// ClassLimit is one limit of a class.
type ClassLimit struct {
	Class    string  `json:"class"`
	Quantity string  `json:"quantity"`
	Limit    float64 `json:"limit_ratio"`
	Measured bool    `json:"measured"`
	Found    float64 `json:"found_ratio"`
	Within   bool    `json:"within"`
}

// Drift is the change since the check before.
type Drift struct {
	CheckID string    `json:"check_id"`
	Since   time.Time `json:"performed_at"`
	Days    float64   `json:"days"`
	Zero    *Change   `json:"zero,omitempty"` // N
	Gain    *Change   `json:"gain,omitempty"` // ratio
}

// Change is a change with its uncertainty; En is their ratio.
type Change struct {
	Value float64 `json:"value"`
	U     float64 `json:"expanded_uncertainty"`
	En    float64 `json:"en"`
}

// Run is a timed run of a base-inertia check.
type Run struct {
	Number       int     `json:"run"`
	Force        float64 `json:"set_force_n"`
	From         float64 `json:"from_mps"`
	To           float64 `json:"to_mps"`
	Duration     float64 `json:"duration_s"`
	Deceleration float64 `json:"deceleration_mps2"`
}

// Pair is the base inertia of a pair of runs.
type Pair struct {
	First     int     `json:"first_run"`
	Second    int     `json:"second_run"`
	Mass      float64 `json:"base_inertia_kg"`
	Deviation float64 `json:"deviation_ratio"`
	Within    bool    `json:"within"`
}

// Limit is a limit with what was found.
type Limit struct {
	Name   string  `json:"name"`
	Limit  float64 `json:"limit"`
	Value  float64 `json:"value"`
	Within bool    `json:"within"`
	Source string  `json:"source,omitempty"`
}

// Coverage says what the expanded uncertainties cover.
type Coverage struct {
	Factor      float64 `json:"coverage_factor"`
	Probability float64 `json:"coverage_probability"`
	Said        string  `json:"said"`
}

// Next is when the load cell is to be checked again, as its operator wishes.
type Next struct {
	At  *time.Time `json:"due_at,omitempty"`
	Why string     `json:"why"`
}

// JSON returns the document as JSON: the same bytes for the same document.
func (d Document) JSON() ([]byte, error) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	if err := e.Encode(d); err != nil {
		return nil, fmt.Errorf("write certificate %s as JSON: %w", d.Number, err)
	}
	return b.Bytes(), nil
}

// Parse reads a document that JSON wrote.
func Parse(data []byte) (Document, error) {
	var d Document
	if err := json.Unmarshal(data, &d); err != nil {
		return d, fmt.Errorf("read a certificate: %w", err)
	}
	if d.Schema != Schema {
		return d, fmt.Errorf("read a certificate: its schema is %q and this program reads %q", d.Schema, Schema)
	}
	return d, nil
}
