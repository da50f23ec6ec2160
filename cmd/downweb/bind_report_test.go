package main

import (
	"bytes"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"unicode/utf8"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// reports writes the week of the worked shifts as page and digest: the same figures, the cautions, what was signed, and
// nothing that a browser would fetch.
func (l *apiLine) reports(t *testing.T) {
	file := filepath.Join(t.TempDir(), "week.html")
	ask := func(args ...string) string {
		t.Helper()
		var out, errs bytes.Buffer
		if code := run(l.ctx, os.Environ(), append([]string{"report", "week", "--plant", "rhein", "--week", "2026-W25", "--addr", l.conn.Target()}, args...), nil, &out, &errs); code != 0 {
			t.Fatalf("%v: exit %d: %s", args, code, errs.String())
		}
		return out.String()
	}
	ask("-o", file)
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	page, digest := string(text), ask("--text")
	if dir := os.Getenv("DOWNWEB_SCREENSHOTS"); dir != "" {
		_ = os.WriteFile(filepath.Join(dir, "week.html"), text, 0o644)
		_ = os.WriteFile(filepath.Join(dir, "week.txt"), []byte(digest), 0o644)
	}
	if again := ask(); again != page {
		t.Error("stdout and file differ, or twice is not the same")
	}
	for _, fetch := range []string{"<script", "<link", "<img", "http://", "https://", "url(", "@import", "src="} {
		if strings.Contains(page, fetch) {
			t.Errorf("the page has %q: it is not self-contained", fetch)
		}
	}
	// p1 has 450 min planned with 290.3 valuable, p2 293.125 of 450 (testdata/scenarios/worked-shifts): 583.425 of 900.
	for name, got := range map[string]string{"page": page, "digest": digest} {
		flat := strings.Join(strings.Fields(got), " ")
		for _, want := range []string{"2026-06-15 to 2026-06-21", "Europe/Berlin", "64.8", "rhein/p2", "maker's manual", "lock-out", "65.14", "set-up"} {
			if !strings.Contains(strings.ReplaceAll(flat, "&#39;", "'"), want) {
				t.Errorf("the %s does not say %q:\n%s", name, want, got)
			}
		}
		if regexp.MustCompile(`(?i)\bcaus(e|es|ed|ing)\b`).MatchString(got) {
			t.Errorf("the %s says what brings what about", name)
		}
	}
	for line := range strings.Lines(digest) {
		if n := utf8.RuneCountInString(strings.TrimRight(line, "\n")); n > width {
			t.Errorf("%d columns: %s", n, line)
		}
	}
	// The printed column of minutes adds up to its sum.
	r, err := gatherWeek(l.ctx, l.conn, "rhein", "2026-W25")
	if err != nil {
		t.Fatal(err)
	}
	sum, said := 0.0, 0.0
	for _, x := range r.Losses.Rows {
		v := parseCell(t, x.Cells[len(x.Cells)-1])
		if x.Sum && said == 0 {
			said = v
		} else if !x.Sum {
			sum += v
		}
	}
	nearTo(t, "points of the page", sum, said, 1e-9)
	// Signed, then told more: the page says both figures.
	p, err := l.losses().ClosePeriod(l.ctx, &pb.ClosePeriodRequest{Plant: "rhein", Period: days("2026-03-27", "2026-03-27"), Author: "M. Weber", RequestId: "report-preview", Preview: true})
	if err == nil {
		_, err = l.losses().ClosePeriod(l.ctx, &pb.ClosePeriodRequest{Plant: "rhein", Period: days("2026-03-27", "2026-03-27"), Author: "M. Weber", RequestId: "report-sign", ExpectedSha256: p.GetClosed().GetSha256()})
	}
	if err != nil {
		t.Fatal(err)
	}
	if got := ask("--text", "--week", "2026-W13"); !strings.Contains(got, "signed by M. Weber") || !strings.Contains(got, "as signed, OEE") {
		t.Errorf("signed figures are not shown:\n%s", got)
	}
	var out, errs bytes.Buffer
	for _, args := range [][]string{{"report", "week", "--week", "2026-W25"}, {"report", "week", "--plant", "rhein", "--week", "2026-W60"}, {"report", "week", "--plant", "Rhein!"}} {
		if code := run(l.ctx, os.Environ(), append(args, "--addr", l.conn.Target()), nil, &out, &errs); code != 2 {
			t.Errorf("%v: exit %d", args, code)
		}
	}
}

func parseCell(t *testing.T, cell string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(strings.ReplaceAll(cell, ",", ""), 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}
