package api

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"runtime/debug"
	"slices"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/downweb/downweb/analytics/study"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// RerunStudy computes a study again from its kept data set, by the method that
// it was made with.
func (t *studyService) RerunStudy(ctx context.Context, req *pb.RerunStudyRequest) (*pb.RerunStudyResponse, error) {
	x, err := t.s.doneStudy(ctx, req.GetId())
	if err != nil {
		return nil, err
	}
	d, err := t.s.keptData(ctx, x)
	if err != nil {
		return nil, err
	}
	kept, err := keptResult(x)
	if err != nil {
		return nil, err
	}
	c, err := t.s.compute(ctx, d, x.Spec, kept.Method, nil)
	if err != nil {
		return nil, err
	}
	return &pb.RerunStudyResponse{Same: c.sum == x.ResultSha256, ResultSha256: c.sum, KeptSha256: x.ResultSha256}, nil
}

// keptData reads the data set a study was computed from.
func (s *Server) keptData(ctx context.Context, x *pb.Study) (*study.DataSet, error) {
	b, err := s.deps.Reader.GetData(ctx, x.DataSha256)
	if errors.Is(err, ErrNotFound) {
		return nil, notFound("data set", x.DataSha256)
	}
	if err != nil {
		return nil, err
	}
	return study.Parse(b)
}

// computed is a study's result, its JSON and the SHA-256 of that.
type computed struct {
	result *study.Result
	text   []byte
	sum    string
}

// compute runs a study. It returns when ctx ends; the work itself then goes on
// unheard to its end.
func (s *Server) compute(ctx context.Context, d *study.DataSet, spec *pb.StudySpec, method string, progress func(done, total int)) (*computed, error) {
	type answer struct {
		c   *computed
		err error
	}
	run, err := RunSpec(spec)
	if err != nil {
		return nil, fmt.Errorf("%w: %s", study.ErrSpec, status.Convert(err).Message())
	}
	out := make(chan answer, 1)
	go func() {
		if s.deps.AroundStudy != nil {
			defer s.deps.AroundStudy()()
		}
		defer func() {
			if p := recover(); p != nil {
				out <- answer{nil, fmt.Errorf("a study panicked: %v\n%s", p, debug.Stack())}
			}
		}()
		res, err := study.RunMethod(d, run, method, progress)
		if err != nil {
			out <- answer{nil, err}
			return
		}
		text, err := json.Marshal(res)
		if err != nil {
			out <- answer{nil, fmt.Errorf("encode a study's result: %w", err)}
			return
		}
		h := sha256.Sum256(text)
		out <- answer{&computed{res, text, hex.EncodeToString(h[:])}, nil}
	}()
	select {
	case <-ctx.Done():
		return nil, ctx.Err()
	case a := <-out:
		return a.c, a.err
	}
}

// VerifyStudy folds the log again as of the study's pins and compares the data
// set with the kept one.
func (t *studyService) VerifyStudy(ctx context.Context, req *pb.VerifyStudyRequest) (*pb.VerifyStudyResponse, error) {
	x, err := t.s.doneStudy(ctx, req.GetId())
	if err != nil {
		return nil, err
	}
	now, err := t.s.foldData(ctx, x.Spec, x.AsOf.GetPos(), x.AsOf.GetRegistryRev())
	if err != nil {
		return nil, err
	}
	resp := &pb.VerifyStudyResponse{DataSha256: now.set.SHA256(), KeptSha256: x.DataSha256}
	resp.Same = resp.DataSha256 == resp.KeptSha256
	if resp.Same {
		return resp, nil
	}
	kept, err := t.s.keptData(ctx, x)
	if err != nil {
		return nil, err
	}
	resp.Note = firstDifference(kept, now.set)
	if v := x.AsOf.GetRulesVersion(); v != RulesVersion {
		resp.Note += fmt.Sprintf("; the study was made under accounting rules %d, this program has %d", v, RulesVersion)
	}
	return resp, nil
}

// firstDifference names the first thing in which two data sets differ.
func firstDifference(kept, now *study.DataSet) string {
	switch {
	case !slices.Equal(kept.Stations, now.Stations):
		return fmt.Sprintf("the stations were %q and are %q", kept.Stations, now.Stations)
	case !slices.Equal(kept.Families, now.Families):
		return fmt.Sprintf("the product families were %q and are %q", kept.Families, now.Families)
	}
	name := func(r *study.Row) string {
		return fmt.Sprintf("%s on %s", r.Press, time.Unix(int64(r.Day)*86400, 0).UTC().Format(time.DateOnly))
	}
	one := func(r study.Row) []byte {
		return (&study.DataSet{Stations: kept.Stations, Families: kept.Families, Rows: []study.Row{r}}).Bytes()
	}
	for i := range min(len(kept.Rows), len(now.Rows)) {
		if !bytes.Equal(one(kept.Rows[i]), one(now.Rows[i])) {
			return fmt.Sprintf("%d rows were kept, %d are folded now; the first that differs is %s (kept) against %s", len(kept.Rows), len(now.Rows), name(&kept.Rows[i]), name(&now.Rows[i]))
		}
	}
	return fmt.Sprintf("%d rows were kept, %d are folded now", len(kept.Rows), len(now.Rows))
}

// chunkBytes is the size of one message of GetDataSet.
const chunkBytes = 64 << 10

// GetDataSet streams the kept data set: its canonical bytes, a file that other
// programs read, or what there is to know about these.
func (t *studyService) GetDataSet(req *pb.GetDataSetRequest, out pb.StudyService_GetDataSetServer) error {
	ctx := out.Context()
	x, _, err := t.s.study(ctx, req.GetId())
	if err != nil {
		return err
	}
	if x.DataSha256 == "" {
		return withDetails(codes.FailedPrecondition, "study "+x.Id+" has no data set: it is "+stateWord(x.State))
	}
	b, err := t.s.deps.Reader.GetData(ctx, x.DataSha256)
	if errors.Is(err, ErrNotFound) {
		return notFound("data set", x.DataSha256)
	}
	if err != nil {
		return err
	}
	if b, err = dataSetFile(x, b, req.GetFormat()); err != nil {
		return err
	}
	for chunk := range slices.Chunk(b, chunkBytes) {
		if err := out.Send(&pb.GetDataSetResponse{Chunk: chunk}); err != nil {
			return err
		}
	}
	return nil
}
