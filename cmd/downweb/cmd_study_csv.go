package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"buf.build/go/protovalidate"
	"google.golang.org/grpc/status"

	"github.com/downweb/downweb/analytics/study"
	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/api"
)

// askTable runs a study of a file here, without any server: what `study export`
// wrote, or a table of one's own whose columns the spec names.
func (a *app) askTable(ctx context.Context, specFile string, spec *pb.StudySpec, file string) error {
	if err := protovalidate.Validate(spec); err != nil {
		return usagef("%s: %s", specFile, oneLine(err.Error()))
	}
	if spec.GetScope() != nil {
		return usagef("%s: scope: a table is taken as it is; leave presses out of the table, or name days with period", specFile)
	}
	text, err := a.readFile(file)
	if err != nil {
		return err
	}
	var ds *study.DataSet
	var left []study.Count
	if cols := spec.GetColumns(); cols != nil {
		ds, left, err = study.ReadTable(bytes.NewReader(text), rolesOf(cols))
	} else {
		ds, err = study.ReadCSV(bytes.NewReader(text))
	}
	if err != nil {
		return usagef("%s", strings.TrimPrefix(err.Error(), study.ErrData.Error()+": "))
	}
	if p := spec.GetPeriod(); p != nil {
		n, err := keepDays(ds, p)
		if err != nil {
			return usagef("%s: %w", specFile, err)
		}
		if n > 0 {
			left = append(left, study.Count{Reason: "line outside the period", Rows: n})
		}
	}
	api.FillSpec(spec)
	run, err := api.RunSpec(spec)
	if err != nil {
		return usagef("%s: %s", specFile, status.Convert(err).Message())
	}
	run.Stations = slices.Clone(spec.GetStations())
	bar := a.progress("study")
	defer bar.done()
	defer forStudy()()
	res, err := study.Run(ds, run, func(done, total int) { bar.step(int64(done), int64(total)) })
	if errors.Is(err, study.ErrSpec) || errors.Is(err, study.ErrData) {
		return usagef("%s: %w", specFile, err)
	}
	if err != nil {
		return err
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	bar.done()
	body, err := json.Marshal(res)
	if err != nil {
		return err
	}
	sum := sha256.Sum256(body)
	x := &pb.Study{Spec: spec, State: pb.StudyState_STUDY_STATE_DONE, DataSha256: res.Data, ResultSha256: hex.EncodeToString(sum[:]), ResultJson: string(body), Version: programVersion()}
	if spec.Period == nil && len(ds.Rows) > 0 {
		first, last := ds.Rows[0].Day, ds.Rows[0].Day
		for i := range ds.Rows {
			first, last = min(first, ds.Rows[i].Day), max(last, ds.Rows[i].Day)
		}
		x.Spec.Period = &pb.Period{FirstDay: timeline.Day(first).String(), LastDay: timeline.Day(last).String()}
	}
	api.Describe(x, res)
	lines, err := api.MethodHonesty(res)
	if err != nil {
		return err
	}
	x.Cautions = append(x.Cautions, lines...)
	for _, c := range left {
		x.DataNotes = append(x.DataNotes, fmt.Sprintf("%d lines left out: %s.", c.Rows, c.Reason))
	}
	return a.showStudy(x)
}

// keepDays leaves out rows outside a period and counts them.
func keepDays(ds *study.DataSet, p *pb.Period) (left int, err error) {
	from, err := time.Parse(time.DateOnly, p.GetFirstDay())
	if err != nil {
		return 0, fmt.Errorf("period.first_day: %q is not a day, want YYYY-MM-DD", p.GetFirstDay())
	}
	to, err := time.Parse(time.DateOnly, p.GetLastDay())
	if err != nil {
		return 0, fmt.Errorf("period.last_day: %q is not a day, want YYYY-MM-DD", p.GetLastDay())
	}
	all := len(ds.Rows)
	ds.Rows = slices.DeleteFunc(ds.Rows, func(r study.Row) bool {
		day := int64(r.Day) * 86400
		return day < from.Unix() || day > to.Unix()
	})
	return all - len(ds.Rows), nil
}

func rolesOf(c *pb.StudyColumns) study.Roles {
	n := func(x *pb.TableColumn) study.NumberColumn {
		return study.NumberColumn{Name: x.GetName(), Unit: x.GetUnit()}
	}
	r := study.Roles{Press: c.GetPress(), Plant: c.GetPlant(), Day: c.GetDay(), Run: n(c.GetRun()), Waste: n(c.GetWaste()),
		RestartWaste: n(c.GetRestartWaste()), SetupWaste: n(c.GetSetupWaste()), ContaminationWaste: n(c.GetContaminationWaste()),
		ContaminationTime: n(c.GetContaminationTime()), UnrelatedWaste: n(c.GetUnrelatedWaste()), Planned: n(c.GetPlanned()),
		PlannedTime: n(c.GetPlannedTime()), Jobs: c.GetJobs(), Shifts: c.GetShifts(), Coverage: n(c.GetCoverage())}
	for _, f := range c.GetFamilies() {
		r.Families = append(r.Families, n(f))
	}
	for _, s := range c.GetStations() {
		r.Stations = append(r.Stations, study.StationRole{Station: s.GetStation(), State: s.GetState(), Found: s.GetFound(), SinceClean: n(s.GetSinceClean())})
	}
	return r
}
