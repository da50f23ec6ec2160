package api

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	"github.com/downweb/downweb/analytics/study"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

type studyService struct {
	pb.UnimplementedStudyServiceServer
	s *Server
}

// CreateStudy fixes a spec, keeps it and returns at once. What the spec leaves
// open is written into it: what is kept says all that was asked. An absent
// period becomes the whole stored range when the study runs.
func (t *studyService) CreateStudy(ctx context.Context, req *pb.CreateStudyRequest) (*pb.CreateStudyResponse, error) {
	spec := proto.Clone(req.GetSpec()).(*pb.StudySpec)
	if spec.Period != nil {
		if _, _, err := periodAt("spec.period", spec.Period); err != nil {
			return nil, err
		}
	}
	f, err := t.s.inScope(ctx, spec.GetScope())
	if err != nil {
		return nil, err
	}
	known := f.stations()
	for i, n := range spec.GetStations() {
		if !known[n] {
			return nil, notFound("station", n)
		}
		if slices.Contains(spec.Stations[:i], n) {
			return nil, invalid(fmt.Sprintf("spec.stations[%d]", i), "stands twice")
		}
	}
	FillSpec(spec)
	if spec.Columns != nil {
		return nil, invalid("spec.columns", "are for a table of one's own, which is studied where it is: downweb study ask SPEC --csv FILE")
	}
	if _, err := RunSpec(spec); err != nil {
		return nil, err
	}
	id, err := uuid.NewV7()
	if err != nil {
		return nil, fmt.Errorf("make a study's id: %w", err)
	}
	now := t.s.now()
	x := &pb.Study{Id: id.String(), Spec: spec, State: pb.StudyState_STUDY_STATE_QUEUED, CreatedAt: stamp(now.UnixMilli()), Version: t.s.cfg.Version}
	if err := t.s.putStudy(ctx, x, 1); err != nil {
		return nil, err
	}
	t.s.studies.Wake()
	return &pb.CreateStudyResponse{Study: x}, nil
}

// stations are the slugs of all stations of the presses in scope.
func (f *fleet) stations() map[string]bool {
	out := map[string]bool{}
	for _, id := range f.scope {
		plant, press := splitPress(id)
		for _, p := range f.plants[plant].GetPresses() {
			if p.GetPress() != press {
				continue
			}
			for _, s := range p.GetStations() {
				out[s.GetSlug()] = true
			}
		}
	}
	return out
}

// specError names the field of a spec that cannot be run.
func specError(err error) error {
	field, reason, _ := strings.Cut(strings.TrimPrefix(err.Error(), study.ErrSpec.Error()+": "), " ")
	return invalid("spec."+field, reason)
}

// FillSpec writes the defaults into a spec.
func FillSpec(s *pb.StudySpec) {
	d := study.DefaultSpec()
	if s.MaxLag == nil {
		s.MaxLag = proto.Int32(int32(d.MaxLag))
	}
	if s.Permutations == 0 {
		s.Permutations = int32(d.Permutations)
	}
	if s.Seed == 0 {
		s.Seed = d.Seed
	}
	if s.MinRunMm == 0 {
		s.MinRunMm = d.MinRunMM
	}
	if s.MinCoverage == 0 {
		s.MinCoverage = d.MinCoverage
	}
	if s.Block == "" {
		s.Block = string(d.Block)
	}
}

// RunSpec is the spec as the study package takes it. Stations are chosen when
// the data set is made. What cannot be run is refused with its field.
func RunSpec(s *pb.StudySpec) (study.Spec, error) {
	out := study.DefaultSpec()
	out.MaxLag, out.Permutations, out.Seed = int(s.GetMaxLag()), int(s.GetPermutations()), s.GetSeed()
	out.MinRunMM, out.MinCoverage, out.Block = s.GetMinRunMm(), s.GetMinCoverage(), study.Block(s.GetBlock())
	out.AnyDependence = s.GetDependence() == "any"
	var err error
	if out.Trial, err = trialPlan("spec.trial", s.GetTrial()); err != nil {
		return out, err
	}
	if t := out.Trial; t != nil && len(s.GetStations()) > 0 && !slices.Contains(s.GetStations(), t.Station) {
		return out, invalid("spec.trial.station", "is not one of spec.stations")
	}
	if err := out.Validate(); err != nil {
		return out, specError(err)
	}
	return out, nil
}

// putStudy keeps a version of a study.
func (s *Server) putStudy(ctx context.Context, x *pb.Study, version uint64) error {
	body, err := proto.MarshalOptions{Deterministic: true}.Marshal(x)
	if err != nil {
		return fmt.Errorf("encode study %s: %w", x.Id, err)
	}
	return s.deps.Reader.PutStudy(ctx, StudyRecord{ID: x.Id, Version: version, CreatedMS: x.CreatedAt.AsTime().UnixMilli(), State: x.State,
		Title: x.GetSpec().GetTitle(), Body: body})
}

// study reads a kept study.
func (s *Server) study(ctx context.Context, id string) (*pb.Study, uint64, error) {
	rec, err := s.deps.Reader.GetStudy(ctx, id)
	if errors.Is(err, ErrNotFound) {
		return nil, 0, notFound("study", id)
	}
	if err != nil {
		return nil, 0, err
	}
	x, err := studyOf(rec)
	return x, rec.Version, err
}

func studyOf(rec StudyRecord) (*pb.Study, error) {
	x := &pb.Study{}
	if err := proto.Unmarshal(rec.Body, x); err != nil {
		return nil, fmt.Errorf("study %s: %w", rec.ID, err)
	}
	return x, nil
}

// doneStudy reads a study that has a result.
func (s *Server) doneStudy(ctx context.Context, id string) (*pb.Study, error) {
	x, _, err := s.study(ctx, id)
	if err != nil {
		return nil, err
	}
	if x.State != pb.StudyState_STUDY_STATE_DONE {
		return nil, withDetails(codes.FailedPrecondition, "study "+id+" has no result: it is "+stateWord(x.State))
	}
	return x, nil
}

func stateWord(s pb.StudyState) string {
	return strings.ToLower(strings.TrimPrefix(s.String(), "STUDY_STATE_"))
}

// GetStudy returns a study; among its cautions, how often its method is right.
func (t *studyService) GetStudy(ctx context.Context, req *pb.GetStudyRequest) (*pb.GetStudyResponse, error) {
	x, _, err := t.s.study(ctx, req.GetId())
	if err != nil {
		return nil, err
	}
	if x.State == pb.StudyState_STUDY_STATE_DONE {
		res, err := keptResult(x)
		if err != nil {
			return nil, err
		}
		lines, err := MethodHonesty(res)
		if err != nil {
			return nil, err
		}
		x.Cautions = append(x.Cautions, lines...)
	}
	return &pb.GetStudyResponse{Study: x}, nil
}

// ListStudies lists studies, newest first, without their results.
func (t *studyService) ListStudies(ctx context.Context, req *pb.ListStudiesRequest) (*pb.ListStudiesResponse, error) {
	token, _, err := parseToken[string](req.GetPageToken(), "studies")
	if err != nil {
		return nil, err
	}
	size := pageSize(req.GetPageSize())
	list, err := t.s.deps.Reader.ListStudies(ctx, token.Key, size)
	if err != nil {
		return nil, err
	}
	resp := &pb.ListStudiesResponse{}
	for _, rec := range list {
		x, err := studyOf(rec)
		if err != nil {
			return nil, err
		}
		x.ResultJson, x.Findings, x.Sentences, x.Cautions, x.DataNotes = "", nil, nil, nil, nil
		resp.Studies = append(resp.Studies, x)
	}
	if len(list) == size {
		resp.NextPageToken = pageToken[string]{Key: list[size-1].ID, Asks: "studies"}.String()
	}
	return resp, nil
}

const (
	progressTick = 200 * time.Millisecond
	stateTick    = time.Second // between looks at the kept state, for a study another process runs
)

// WatchStudy streams progress until the study ends.
func (t *studyService) WatchStudy(req *pb.WatchStudyRequest, out pb.StudyService_WatchStudyServer) error {
	ctx := out.Context()
	var last *pb.WatchStudyResponse
	var looked time.Time
	for {
		now := t.s.studies.progress(req.GetId())
		if now == nil && time.Since(looked) >= stateTick {
			x, _, err := t.s.study(ctx, req.GetId())
			if err != nil {
				return err
			}
			now, looked = &pb.WatchStudyResponse{State: x.State}, time.Now()
		}
		if now != nil && (last == nil || !proto.Equal(last, now)) {
			if err := out.Send(now); err != nil {
				return err
			}
			last = now
		}
		if s := last.GetState(); s == pb.StudyState_STUDY_STATE_DONE || s == pb.StudyState_STUDY_STATE_FAILED {
			return nil
		}
		if err := t.s.wait(ctx, nil, progressTick); err != nil {
			return err
		}
	}
}
