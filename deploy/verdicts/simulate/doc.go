// Package simulate invents the history of a chain of twelve cells and four
// reference cars whose truth is known, for the verdict bench.
//
// In: a seed, a visit plan and a fault. Out: what the cells of the chain would
// have computed and reported (History), and what was true (Answer). It shares
// no code with the service: the physics of the cell, the correction factor, the
// faults' signatures and the verdicts of checks are written anew here from the
// equations, so that an error in one of the two shows.
//
// Each week each cell is zero checked, coasts down empty and takes two slow and
// two fast pulls of one reference car; every fourth week it is checked with
// dead weights. Every random number comes from a generator of its own, seeded
// by the fleet, the cell, the week and what it is for: fleets of one seed
// differ by their faults and their visits alone.
package simulate
