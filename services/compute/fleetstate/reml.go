package fleetstate

// Estimation says how the variances were found.
type Estimation struct {
	// Sessions is how many the estimate rests on; 0: the stated variances stand.
	Sessions    int
	Cells       int
	Evaluations int
	Converged   bool
}
