// Package fleetstate is the state-space model of the whole fleet: which cell
// is off, since when, why, and how sure that is.
//
// In: reference runs (refrun.Run), direct observations of a cell's errors, and
// the moments at which errors or cars began anew. Out: every cell's errors with
// their covariance at any time, its degree of equivalence from a robust
// consensus, every pair's, the cars' own changes, forecasts, what stands behind
// a change and what to do next. It stands beside drift, which compares within a
// window; see "How it is called" below.
//
// # The model
//
// Band point k of pull p of session s, of car j on cell c at time t, y = ln(C·F):
//
//	y = m_j(k) + a_j(t) + r_j·ρ_p(k) + β_j·z_s + Σ_f x_cf(t)·S_pf(k) + u_s + τ_s(k) + e_p + ε_p(k)
//
// m_j is the car's curve, free; a_j its own change, a random walk with knots and
// lines between them, 0 when its epoch begins, the knots four weeks apart for the
// last year and wider before; x_cf the cell's error of kind f, a random walk that
// starts N(0, σ₀f²) and restarts so;
// S the signature (refrun); z the intake air in tens of K from 20 °C; u the
// session's, e the pull's, ε the point's noise. Direct observations see x
// itself.
//
// Where it differs from the design's equation, and why:
//   - r_j goes with ρ = −(dv/dt)/F, not with the ramp rate: what a ramp takes from
//     the tractive force is the car's rotating mass times acceleration. r_j is
//     kg beyond what the curve holds already. Its signature is that of the base
//     inertia; a cell's wrong value and a car's mass are told apart by the
//     network of visits.
//   - τ_s is a session's own shape: without it many band points would tell the
//     shapes of faults apart more surely than days repeat.
//   - Air and Other have the same flat signature; an observation of the air tells
//     them apart, nothing else does, and that is said.
//   - The band is looked at in a few modes (orthonormal polynomials: mean, tilt,
//     bend, …; Settings.Modes). Projecting y and S alike loses what the faults
//     hardly have in the rest, never correctness; K modes are exact.
//   - A run or pull far out loses weight, a walk that evidently jumps gets the
//     variance of its jump (Settings.FarOut), a car that evidently fades that of
//     its fade: heavy tails where they are seen, normal arithmetic elsewhere. Which
//     of the two a last run far out is only the next can tell; until then it is
//     the run.
//   - The tractive force in a signature is the car's, as its first session had it,
//     not the pull's: the pull's has the noise of y in it (signature).
//   - The stated variance of a walk is held as an upper guess, not as certain
//     (Prior.AtMost): a fleet of steady cells is found to be steady, which takes a
//     quarter off U (measured on twelve cells and a year).
//
// # The algorithm
//
// Given g, the unknowns of the cars (curve, mass, intake answer, knots), cells
// are independent. A session is summed up once (stat); a cell's events are
// filtered in time order in information form over its d errors and those of
// g that its own cars bring (filter), which leaves its part of g's information,
// S_c and s_c, and of the likelihood. S = Σ S_c + priors is solved by Cholesky;
// every cell's errors follow by x = c + b·g, with covariance p + b·S⁻¹·b'. The
// smoother goes back over one cell at a time (Smooth). The cost grows with
// sessions × (unknowns of a cell's cars)², and with the cube of all unknowns
// once: linear in cells and weeks where a cell is served by a few cars in turn
// (TestScale). Sixty cars that all visit every cell are possible but not fast.
//
// The score and every estimate equal the same model written out densely to 1e-11
// (TestSolveAgainstDense); with nothing that walks it is the linear mixed model
// (TestPublishedMixedModels), with one cell and car the local level model
// (TestPublishedLocalLevel).
//
// Variances are found by REML with stated priors (Estimate): exact slopes by
// Fisher's identity from the smoother, then a quasi-Newton search; on a large
// fleet from a part of it. A variance without a prior whose likelihood is
// highest at 0 is found to be 0.
//
// Results are bit for bit the same on every run, for every order of the input
// and number of workers. Update takes single runs in exactly, in milliseconds;
// a refit in canonical order is the official result, so nothing depends on the
// order of arrival.
//
// # What is taken as it is
//
// Variances are put in as if they were known; what they leave in doubt is not in
// U. The consensus' weights and the weights of what lies far out likewise. Checks
// of one cell are taken as independent of each other: the part of their U that
// repeats (the arm, the masses) belongs into Settings' start variance or a wider
// U. The steady cell of the CUSUM and of Cause does not walk at all, so that a
// cell that truly walks is found to change, sooner or later; that is asked for.
//
// # How it is called
//
//   - The pipeline makes History from all runs; Observations from loadcell's
//     results as found and as left (gain and zero with their covariance, N at
//     the roller for zero: multiply by L·n/r), from coast-downs (parasitic) and
//     flag.CompareAirs (air); Restarts from adjusted epochs (gain and zero), from
//     registry changes of a cell (all, or inertia and parasitic), from repairs
//     of a car. Estimate at night and when ErrRefit says so, Update when a run
//     comes in, Follow to judge a whole history causally.
//   - watch follows run by run with a Follower: of each Step the CUSUM for the eye,
//     of Forecast and CarOutlook the weight of evidence of a change, P(|offset| >
//     tolerance) and when the tolerance will be left.
//   - flag takes the causes, the first-evidence interval (Onset, Earliest, Latest)
//     and the next check of a flag from CauseAt.
//   - query serves Equivalences and Pairs, rotation plans with Outlook.
//   - lookback does not use Smooth: see there what each covers.
package fleetstate
