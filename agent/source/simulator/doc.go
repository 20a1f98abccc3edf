// Package simulator writes the CSV files a chain of cells would write: pulls
// with their coast-downs, empty-roller coast-downs and load-cell checks of
// every cell and week of a scenario, from a physical model with faults put in
// on schedule. The demo, the tests and the benchmarks replay them through
// agent/source/csvfolder like any logger's export.
//
// It is written independently of the computing packages: it shares the nouns
// of services/fleet with them and no formula, so that what they recover can be
// held against what was put in (Truth).
//
// # Model
//
// v is the roller-surface speed, a = dv/dt, ω the engine speed. All forces are
// at the roller surface, N.
//
//	F_eng   = T(ω)·G/R · air                    engine, G gear ratio, R tyre radius
//	air     = (α − 0.15)/0.85,  α = (p_dry/99000)·√(298/T_intake)
//	F_trac  = (1 + δ)·(F_eng − F_dl(v) − M_rot·a)   δ: session, pull, the car's own drift
//	F_brake = F_trac − M_base·a − F_par(v)      solved from the motion the brake control holds
//	x       = F_brake·r/(L·n)                   true force at the load cell
//	reading = zero + (1 + gain)·x + ripple + noise, rounded to the indicator's resolution
//	coast-down:  a = −(F_par(v) + F_dl(v))/(M_base + M_coast),  empty rollers: F_dl = 0, M_coast = 0
//
// The engine's behaviour in air is that of a naturally aspirated engine whose
// indicated torque follows dry pressure over the root of temperature with a
// mechanical efficiency of 85 % (the assumption under SAE J1349, from memory).
// r, L, M_base and F_par in these formulas are the cell's true values; what the
// registry believes is in the same scenario, and the files never tell.
package simulator
