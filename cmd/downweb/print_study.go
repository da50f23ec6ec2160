package main

import (
	"fmt"
	"io"
	"strconv"
	"strings"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// grades of evidence, as the study's method defines them.
var grades = []string{"0 cannot be answered", "1 none seen", "2 suggestive", "3 consistent", "4 shown by a trial"}

func pValue(p float64) string {
	if p <= 0 || p > 1 {
		return "-"
	}
	if p < 0.0001 {
		return "<0.0001"
	}
	return strconv.FormatFloat(p, 'f', 4, 64)
}

// printStudy writes the sentences first, then one line per station, then what was not controlled.
func printStudy(w io.Writer, s *pb.Study) {
	title := s.GetSpec().GetTitle()
	if title == "" {
		title = "missed cleans and waste"
	}
	if id := s.GetId(); id != "" {
		fmt.Fprintf(w, "Study %s: %s\n", id, title)
	} else {
		fmt.Fprintf(w, "Study of a file: %s\n", title)
	}
	if s.GetState() != pb.StudyState_STUDY_STATE_DONE {
		text := "State: " + enumWord(s.GetState().String(), "STUDY_STATE_")
		if s.GetError() != "" {
			text += ": " + s.GetError()
		}
		wrapped(w, "", "  ", text)
		return
	}
	fmt.Fprintln(w)
	byStation := false
	for _, f := range s.GetFindings() {
		byStation = byStation || f.GetSentence() != ""
	}
	for i, line := range s.GetSentences() {
		if i == 0 || !byStation { // the first is about all stations, the others are the stations'
			wrapped(w, "", "  ", line)
		}
	}
	for _, f := range s.GetFindings() {
		if f.GetSentence() != "" {
			wrapped(w, f.GetStation()+": ", "  ", f.GetSentence())
		}
	}
	fmt.Fprintln(w)
	g := newGrid("station", ">difference in m (95 %)", ">rate ratio (95 %)", ">p", ">p adj.", ">runs", ">presses", ">grade")
	for _, f := range s.GetFindings() {
		g.row(clip(f.GetStation(), 14), interval(f.GetMeters(), 1), interval(f.GetRateRatio(), 2), pValue(f.GetP()), pValue(f.GetPAdjusted()), grouped(f.GetNotCleanedRows()), grouped(f.GetPresses()), strconv.Itoa(int(f.GetGrade())))
	}
	g.print(w)
	wrapped(w, "", "  ", "difference: waste per run that started not cleaned, against runs of the same press that started clean, controls held; runs: those that started not cleaned; p: shift test, adj.: over the stations; grade of evidence: "+strings.Join(grades, ", "))
	fmt.Fprintln(w)
	for _, line := range s.GetDataNotes() {
		wrapped(w, "Data: ", "  ", line)
	}
	for _, line := range s.GetCautions() {
		wrapped(w, "! ", "  ", line)
	}
	if len(s.GetCautions()) == 0 {
		wrapped(w, "! ", "  ", safetyLine)
	}
	fmt.Fprintf(w, "Data set %s\nResult   %s\n", s.GetDataSha256(), s.GetResultSha256())
	printPins(w, s.GetSpec().GetPeriod(), nil, nil, s.GetAsOf())
	if s.GetId() != "" {
		fmt.Fprintf(w, "Again, from the kept data set: downweb study rerun %s\n", s.GetId())
	}
}

func studyCSV(s *pb.Study) (header []string, rows [][]string) {
	header = []string{"study", "station", "difference_m", "low", "high", "rate_ratio", "rate_ratio_low", "rate_ratio_high", "p", "p_adjusted", "grade", "not_cleaned_rows", "presses", "detectable_m"}
	for _, f := range s.GetFindings() {
		e := func(e *pb.Estimate) []string {
			if !e.GetOk() {
				return []string{"", "", ""}
			}
			return []string{float(e.GetValue()), float(e.GetLow()), float(e.GetHigh())}
		}
		row := append([]string{s.GetId(), f.GetStation()}, append(e(f.GetMeters()), e(f.GetRateRatio())...)...)
		rows = append(rows, append(row, float(f.GetP()), float(f.GetPAdjusted()), strconv.Itoa(int(f.GetGrade())), strconv.FormatInt(f.GetNotCleanedRows(), 10), strconv.FormatInt(f.GetPresses(), 10), float(f.GetDetectableMeters())))
	}
	return header, rows
}

func printStudies(w io.Writer, r *pb.ListStudiesResponse) {
	if len(r.GetStudies()) == 0 {
		fmt.Fprintln(w, "No study was asked yet: downweb study ask spec.yaml")
		return
	}
	g := newGrid("study", "asked", "state", "title")
	for _, s := range r.GetStudies() {
		g.row(s.GetId(), instant(s.GetCreatedAt().AsTime()), enumWord(s.GetState().String(), "STUDY_STATE_"), clip(s.GetSpec().GetTitle(), 30))
	}
	g.print(w)
}

func studiesCSV(r *pb.ListStudiesResponse) (header []string, rows [][]string) {
	header = []string{"study", "created_at", "state", "title", "stations", "first_day", "last_day", "data_sha256", "result_sha256"}
	for _, s := range r.GetStudies() {
		p := s.GetSpec()
		rows = append(rows, []string{s.GetId(), stamp(s.GetCreatedAt()), enumWord(s.GetState().String(), "STUDY_STATE_"), p.GetTitle(), strings.Join(p.GetStations(), ";"),
			p.GetPeriod().GetFirstDay(), p.GetPeriod().GetLastDay(), s.GetDataSha256(), s.GetResultSha256()})
	}
	return header, rows
}
