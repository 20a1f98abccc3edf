// Package rotation plans which reference car goes where next, so that the
// largest uncertainty in the fleet falls most for the least travel.
//
// In: the fleet as fleetstate knows it, the sites with their cells, where the
// cars are, what travel costs, the coming weeks. Out: a plan week by week, what
// it leaves uncertain beside "everyone stays" and a fixed round, what each
// costs, and why in plain sentences. It follows fleetstate; nothing follows it.
//
// What a planned run does to the covariance of the cells' offsets does not depend
// on what the run will say (fleetstate.Outlook), so that every figure of a plan is
// exact under the model: the variance after the last of the weeks, with the
// change of cells and cars until then.
//
// # The search
//
// With v_c the variance of cell c's offset after the weeks, U_c = 2·√v_c, a plan
// is looked for with the least
//
//	largest U + cost/worth
//
// worth the cost that a fall of U by 1 may have. The largest alone does not tell
// one plan from another until the worst cell is helped, so that the search first
// goes by (Σ U_c^16)^(1/16) in its place.
//
//  1. Week by week, the car and site that lower it most by exact marginal gain,
//     then the next car, until all cars are somewhere.
//  2. Exchanges: a car at another site for a week, for its stay, or for all the
//     weeks from then on, two cars in each other's place, while that lowers it, on
//     a small fleet two such moves at once; then the same by the largest U itself.
//  3. The same from "everyone stays" and from the fixed round. The best of all is
//     the plan, so that it is never worse than either.
//
// The work is bounded by a count of operations, not by the clock: the same input
// gives the same plan. On a large fleet the bound ends the exchanges early;
// Plan.Complete says whether it did.
package rotation
