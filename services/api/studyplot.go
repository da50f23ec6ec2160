package api

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/grpc/codes"

	"github.com/downweb/downweb/analytics/study"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/api/plot"
)

// GetStudyPlot draws one figure of a finished study. What the kept result does
// not hold is computed again from the kept data set.
func (t *studyService) GetStudyPlot(ctx context.Context, req *pb.GetStudyPlotRequest) (*pb.GetStudyPlotResponse, error) {
	x, err := t.s.doneStudy(ctx, req.GetId())
	if err != nil {
		return nil, err
	}
	res, err := keptResult(x)
	if err != nil {
		return nil, err
	}
	f, err := t.figure(ctx, x, res, req)
	if err != nil {
		return nil, err
	}
	resp := &pb.GetStudyPlotResponse{MediaType: "image/svg+xml", Description: f.Description()}
	if req.GetFormat() == pb.PlotFormat_PLOT_FORMAT_PNG {
		resp.MediaType = "image/png"
		resp.Data, err = plot.PNG(f)
	} else {
		resp.Data, err = plot.SVG(f)
	}
	return resp, err
}

// keptResult reads a study's result as it was kept.
func keptResult(x *pb.Study) (*study.Result, error) {
	res := &study.Result{}
	if err := json.Unmarshal([]byte(x.ResultJson), res); err != nil {
		return nil, fmt.Errorf("study %s: the kept result: %w", x.Id, err)
	}
	return res, nil
}

// figure makes one figure of a study.
func (t *studyService) figure(ctx context.Context, x *pb.Study, res *study.Result, req *pb.GetStudyPlotRequest) (plot.Figure, error) {
	switch req.GetPlot() {
	case pb.StudyPlot_STUDY_PLOT_FOREST:
		return forestFigure(res)
	case pb.StudyPlot_STUDY_PLOT_LAG_MAP:
		return mapFigure(res)
	}
	find, err := findingOf(res, req.GetStation())
	if err != nil {
		return nil, err
	}
	if req.GetPlot() == pb.StudyPlot_STUDY_PLOT_COST {
		if req.GetCosts() == nil {
			return nil, invalid("costs", "the cost curve needs the cost of a clean and of a wasted meter")
		}
		return t.costFigure(ctx, x, res, find, req.GetCosts())
	}
	d, err := t.s.keptData(ctx, x)
	if err != nil {
		return nil, err
	}
	switch req.GetPlot() {
	case pb.StudyPlot_STUDY_PLOT_DOSE:
		return doseFigure(d, res, find)
	case pb.StudyPlot_STUDY_PLOT_SHIFTS:
		return shiftsFigure(d, res, find)
	}
	return eventFigure(d, res, find)
}

// findingOf finds a station's or a block's finding; a station inside a block
// names the block.
func findingOf(res *study.Result, station string) (*study.Finding, error) {
	if station == "" {
		return nil, invalid("station", "name the station the figure is of: "+strings.Join(findingNames(res), ", "))
	}
	for i := range res.Findings {
		if f := &res.Findings[i]; f.Name == station || slices.Contains(f.Stations, station) {
			return f, nil
		}
	}
	return nil, notFound("station of the study", station)
}

func findingNames(res *study.Result) (out []string) {
	for i := range res.Findings {
		out = append(out, res.Findings[i].Name)
	}
	return out
}

// noFigure is FAILED_PRECONDITION with the reason.
func noFigure(why string) error {
	return withDetails(codes.FailedPrecondition, "there is nothing to draw: "+why)
}

// pictureError turns study.ErrNoPicture into an answer for the caller.
func pictureError(err error) error {
	if errors.Is(err, study.ErrNoPicture) {
		return noFigure(strings.TrimPrefix(err.Error(), study.ErrNoPicture.Error()+": "))
	}
	return err
}

func forestFigure(res *study.Result) (plot.Figure, error) {
	f := plot.Forest{Under: []string{"A difference goes with the missed clean; it does not show that the clean would have avoided it."}}
	for i := range res.Findings {
		x := &res.Findings[i]
		r := plot.ForestRow{Name: x.Name, Grade: int(x.Grade), GradeName: x.GradeName, None: x.Waste == nil}
		if e := x.Waste; e != nil {
			r.Value, r.Low, r.High = e.Difference, e.Low, e.High
		}
		if t := trialOf(res, x); t != nil {
			r.Value, r.Low, r.High, r.None = t.Effect, t.Low, t.High, false
			f.Under = append(f.Under, t.Station+" is by its trial, in which schedules were drawn at random.")
		}
		f.Rows = append(f.Rows, r)
	}
	if len(f.Rows) == 0 {
		return nil, noFigure(or(res.Refused, "the study has no stations"))
	}
	return f, nil
}

func or(text, other string) string {
	if text != "" {
		return text
	}
	return other
}

func mapFigure(res *study.Result) (plot.Figure, error) {
	m := plot.LagMap{}
	for _, c := range res.Map {
		if n := len(m.Names); n == 0 || m.Names[n-1] != c.Name {
			m.Names, m.T, m.Q = append(m.Names, c.Name), append(m.T, nil), append(m.Q, nil)
		}
		n := len(m.Names) - 1
		m.T[n], m.Q[n] = append(m.T[n], c.T), append(m.Q[n], c.Q)
	}
	if len(m.Names) == 0 {
		return nil, noFigure(or(res.Refused, "no station could be tested"))
	}
	return m, nil
}

func doseFigure(d *study.DataSet, res *study.Result, x *study.Finding) (plot.Figure, error) {
	dose, err := study.DoseOf(d, res.Spec, res.Method, x.Name)
	if err != nil {
		return nil, pictureError(err)
	}
	out := plot.Dose{Station: x.Name, Under: dose.Lines}
	for _, b := range dose.Bins {
		out.Bins = append(out.Bins, plot.DoseBin{From: b.FromKM, To: b.ToKM, Ratio: b.Ratio, Low: b.Low, High: b.High, Rows: b.Rows})
	}
	return out, nil
}

func shiftsFigure(d *study.DataSet, res *study.Result, x *study.Finding) (plot.Figure, error) {
	s, err := study.Shifts(d, res.Spec, res.Method, x.Name)
	if err != nil {
		return nil, pictureError(err)
	}
	return plot.Shifts{Station: x.Name, Draws: s.Draws, Seen: s.Seen, P: s.P}, nil
}

func eventFigure(d *study.DataSet, res *study.Result, x *study.Finding) (plot.Figure, error) {
	e, err := study.Events(d, res.Spec, res.Method, x.Name)
	if err != nil {
		return nil, pictureError(err)
	}
	out := plot.Event{Station: x.Name, Under: e.Lines}
	for _, c := range []struct {
		curve *study.EventCurve
		name  string
		leads bool // before a recovery runs are not cleaned: they do differ
	}{{e.Miss, "0: first run not cleaned", true}, {e.Recovery, "0: first run cleaned again", false}} {
		if c.curve == nil {
			continue
		}
		p := plot.EventPanel{Name: c.name, Events: c.curve.Events, Presses: c.curve.Presses}
		if c.leads {
			p.PLeads = c.curve.PLeads
		}
		for _, q := range c.curve.Points {
			p.Points = append(p.Points, plot.EventPoint(q))
		}
		out.Panels = append(out.Panels, p)
	}
	return out, nil
}
