package fleetstate

func (net *network) solveRobust(v *Variances) (*solution, error) { return net.solve(v) }
