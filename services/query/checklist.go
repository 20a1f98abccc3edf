package query

import (
	"context"
	"fmt"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/checklist"
	"rollcall/services/fleet"
	"rollcall/services/store"
)

// GetCheckList says what to do in a cell to check its load cell, by the registry
// as it is now.
func (s *Server) GetCheckList(ctx context.Context, req *pb.GetCheckListRequest) (*pb.GetCheckListResponse, error) {
	if err := mayRead(ctx); err != nil {
		return nil, err
	}
	now := s.now()
	r := s.registry.At(now)
	cell, ok := r.Cells[fleet.CellID(req.CellId)]
	if !ok {
		return nil, fmt.Errorf("cell %q is not in the registry: %w", req.CellId, store.ErrNotFound)
	}
	l := checklist.Make(cell, r.Sites[cell.Site], r.Masses, now)
	out := &pb.GetCheckListResponse{
		CellId: string(cell.ID), CellName: cell.Name, SiteName: l.Site.Name, MadeAt: stamp(l.Made),
		Cautions: l.Cautions, Particulars: l.Particulars, Remarks: l.Remarks,
	}
	for _, m := range l.Masses {
		out.Masses = append(out.Masses, &pb.CheckListMass{
			MassId: string(m.ID), MassKg: m.Mass.Mass, ExpandedUncertaintyKg: m.U, Certificate: m.Certificate, DueAt: stamp(m.Due), Overdue: m.Overdue, Used: m.Used,
		})
	}
	for i, x := range l.Steps {
		step := &pb.CheckListStep{Step: uint32(i + 1), Part: x.Part, Text: x.Text, Cycle: uint32(x.Cycle), LoadN: x.Load, Reads: x.Reads}
		switch x.Direction {
		case fleet.Rising:
			step.Direction = "rising"
		case fleet.Falling:
			step.Direction = "falling"
		}
		for _, id := range x.Masses {
			step.MassIds = append(step.MassIds, string(id))
		}
		out.Steps = append(out.Steps, step)
	}
	if len(l.Steps) > 0 {
		out.Csv = l.CSV()
	}
	return out, nil
}
