package api

import (
	"context"
	"errors"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/registry"
)

type registryService struct {
	pb.UnimplementedRegistryServiceServer
	s *Server
}

// GetPlant returns a plant's document, the latest or at a revision.
func (r *registryService) GetPlant(ctx context.Context, req *pb.GetPlantRequest) (*pb.GetPlantResponse, error) {
	rev, err := r.s.deps.Registry.Get(ctx, req.GetPlant(), req.GetRev())
	if errors.Is(err, registry.ErrNotFound) {
		if _, err := r.s.deps.Registry.Get(ctx, req.GetPlant(), 0); err == nil {
			return nil, notFound("revision of plant "+req.GetPlant(), uintText(req.GetRev()))
		}
		return nil, notFound("plant", req.GetPlant())
	}
	if err != nil {
		return nil, err
	}
	return &pb.GetPlantResponse{Revision: rev}, nil
}

// ListPlants returns the latest document of every plant.
func (r *registryService) ListPlants(ctx context.Context, _ *pb.ListPlantsRequest) (*pb.ListPlantsResponse, error) {
	revs, err := r.s.deps.Registry.Latest(ctx)
	if err != nil {
		return nil, err
	}
	return &pb.ListPlantsResponse{Revisions: revs}, nil
}

// ListRevisions says who changed what and when, newest first; a plant that is
// not known is NOT_FOUND.
func (r *registryService) ListRevisions(ctx context.Context, req *pb.ListRevisionsRequest) (*pb.ListRevisionsResponse, error) {
	history, err := r.s.deps.Registry.History(ctx, req.GetPlant())
	if err != nil {
		return nil, err
	}
	if len(history) == 0 && req.GetPlant() != "" {
		return nil, notFound("plant", req.GetPlant())
	}
	resp := &pb.ListRevisionsResponse{}
	for _, h := range history {
		x := h.Revision
		resp.Revisions = append(resp.Revisions, &pb.RevisionSummary{
			Revision: &pb.RegistryRevision{Rev: x.Rev, Plant: &pb.Plant{Plant: x.GetPlant().GetPlant()}, Author: x.Author, Comment: x.Comment,
				AppliedAt: x.AppliedAt, PreviousRev: x.PreviousRev},
			Changes: h.Changes})
	}
	return resp, nil
}

// PlanApply shows what ApplyPlant would change and recompute, and what it would
// do to the duties of a week to come.
func (r *registryService) PlanApply(ctx context.Context, req *pb.PlanApplyRequest) (*pb.PlanApplyResponse, error) {
	p, err := r.s.deps.Registry.Plan(ctx, req.GetPlant())
	if err != nil {
		return nil, err
	}
	cur, err := r.s.currentPlant(ctx, req.GetPlant().GetPlant())
	if err != nil {
		return nil, err
	}
	resp := &pb.PlanApplyResponse{CurrentRev: p.CurrentRev, Changes: p.Changes, DirtyFrom: p.DirtyFrom, DirtyPresses: p.DirtyPresses}
	resp.Duties, err = r.s.dutyForecast(ctx, cur, req.GetPlant(), p.Dirty)
	return resp, err
}

// ApplyPlant appends a whole document; ABORTED with the current revision if
// expected_rev is stale.
func (r *registryService) ApplyPlant(ctx context.Context, req *pb.ApplyPlantRequest) (*pb.ApplyPlantResponse, error) {
	rev, err := r.s.deps.Registry.Apply(ctx, req.GetPlant(), req.GetExpectedRev(), req.GetAuthor(), req.GetComment(), r.s.now())
	if err != nil {
		return nil, err
	}
	return &pb.ApplyPlantResponse{Rev: rev}, nil
}
