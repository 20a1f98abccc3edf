// Package score judges a system that watches a chain of cells, on histories
// whose truth is known.
//
// In: how many fleets, and a System. Out: a Table of what the system got right,
// each figure with its interval, the number behind it and the aim. It stands
// after simulate and knows no type of the service: a System is put to it by a
// package of its own.
package score
