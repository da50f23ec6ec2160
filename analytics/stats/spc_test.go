package stats

import (
	"encoding/csv"
	"encoding/json"
	"errors"
	"math"
	"os"
	"strconv"
	"testing"
)

// readSPC reads a file of testdata/reference/spc; its README names the sources.
func readSPC(t *testing.T, name string) []byte {
	t.Helper()
	text, err := os.ReadFile("../../testdata/reference/spc/" + name)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

func readSPCTable(t *testing.T, name string) [][]string {
	t.Helper()
	f, err := os.Open("../../testdata/reference/spc/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows[1:]
}

func spcNear(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if math.IsNaN(got) || math.Abs(got-want) > tolerance {
		t.Errorf("%s is %.15g, want %.15g", what, got, want)
	}
}

type spcFile struct {
	N2 struct {
		D2, D3, E2, D4 float64
	} `json:"n2_exact"`
	Flow struct {
		Mean     float64   `json:"mean"`
		MR       []float64 `json:"mr"`
		MRBar    float64   `json:"mr_bar"`
		UCL      float64   `json:"ucl_exact_d2"`
		LCL      float64   `json:"lcl_exact_d2"`
		UCL1128  float64   `json:"ucl_1.128"`
		LCL1128  float64   `json:"lcl_1.128"`
		MRUpper  float64   `json:"mr_ucl_exact"`
		MRUpper3 float64   `json:"mr_ucl_3.267"`
	} `json:"flowrate"`
	Nelson map[string]struct {
		Z      []float64
		Rule1  int
		Rule2  int
		Rule3  int
		Rule4  int
		Rule5  int
		Rule6  int
		Rule7  int
		Rule8  int
		WeSide int `json:"we_8_same_side"`
	} `json:"nelson_vectors"`
}

func spc(t *testing.T) spcFile {
	t.Helper()
	var f spcFile
	if err := json.Unmarshal(readSPC(t, "40_spc.json"), &f); err != nil {
		t.Fatal(err)
	}
	return f
}

func TestXmrConstants(t *testing.T) {
	n2 := spc(t).N2
	spcNear(t, "d2", xmrD2, n2.D2, 1e-14)
	spcNear(t, "d3", xmrD3, n2.D3, 1e-14)
	spcNear(t, "E2", XmrE2, n2.E2, 1e-13)
	spcNear(t, "D4", XmrD4, n2.D4, 1e-13)
	for _, r := range readSPCTable(t, "control_chart_constants.csv") {
		if r[0] != "2" {
			continue
		}
		for i, got := range []float64{xmrD2, xmrD3, 0, 0, XmrD4, XmrE2} {
			if i == 2 || i == 3 {
				continue
			}
			want, _ := strconv.ParseFloat(r[i+1], 64)
			spcNear(t, "constant "+strconv.Itoa(i), got, want, 1e-11)
		}
	}
	// The choice among the printed values: 3.2665, not 3.267, not 3.268.
	if math.Abs(XmrD4-3.2665) > 5e-5 || XmrD4 > 3.267-1e-4 {
		t.Errorf("D4 is %v", XmrD4)
	}
}

// The flow-rate chart of the e-Handbook, 6.3.2.2: published mean 50.81, mean
// moving range 1.8778, limits 55.8041 and 45.8159 (with d2 = 1.128).
func TestXmrFlowRate(t *testing.T) {
	// nist_flowrate: 10 values as printed there.
	flow := []float64{49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1}
	want := spc(t).Flow
	for i, mr := range want.MR {
		spcNear(t, "moving range", math.Abs(flow[i+1]-flow[i]), mr, 1e-9)
	}
	x, err := Individuals(flow)
	if err != nil {
		t.Fatal(err)
	}
	spcNear(t, "mean", x.Center, want.Mean, 1e-12)
	spcNear(t, "mean moving range", x.MeanRange, want.MRBar, 1e-12)
	spcNear(t, "upper limit", x.High, want.UCL, 1e-11)
	spcNear(t, "lower limit", x.Low, want.LCL, 1e-11)
	spcNear(t, "upper limit of ranges", x.RangeUpper, want.MRUpper, 1e-11)
	// As published, with d2 rounded to 1.128.
	spcNear(t, "published upper limit", x.Center+3*x.MeanRange/1.128, 55.8041, 5e-5)
	spcNear(t, "published lower limit", x.Center-3*x.MeanRange/1.128, 45.8159, 5e-5)
	spcNear(t, "published mean range", x.MeanRange, 1.8778, 5e-5)
}

func TestXmrTooFewAndFlat(t *testing.T) {
	if _, err := Individuals(make([]float64, XmrMin-1)); !errors.Is(err, ErrTooFew) {
		t.Errorf("%v", err)
	}
	if _, err := Individuals([]float64{1, 2, 3, 4, 5, 6, 7, math.NaN()}); !errors.Is(err, ErrInput) {
		t.Errorf("%v", err)
	}
	x, err := Individuals([]float64{4, 4, 4, 4, 4, 4, 4, 4})
	if err != nil || x.Low != 4 || x.High != 4 || x.Z(9) != 0 {
		t.Errorf("%+v, %v", x, err)
	}
}

// The first alarm of each rule in each vector; 0: none.
func TestRunRuleVectors(t *testing.T) {
	vectors := spc(t).Nelson
	if len(vectors) < 12 {
		t.Fatalf("%d vectors", len(vectors))
	}
	for name, v := range vectors {
		first := map[RunRule]int{}
		var r Runs
		for i, z := range v.Z {
			hit := r.Step(z)
			for rule := RuleBeyond3; rule <= RuleEightFar; rule <<= 1 {
				if hit&rule != 0 && first[rule] == 0 {
					first[rule] = i + 1
				}
			}
		}
		for rule, want := range map[RunRule]int{RuleBeyond3: v.Rule1, RuleNine: v.Rule2, RuleSixTrend: v.Rule3, Rule14Alternate: v.Rule4,
			RuleTwo2: v.Rule5, RuleFour1: v.Rule6, Rule15Hug: v.Rule7, RuleEightFar: v.Rule8, RuleEight: v.WeSide} {
			if first[rule] != want {
				t.Errorf("%s: rule %b first at %d, want %d", name, rule, first[rule], want)
			}
		}
	}
}

// runLength is the average number of values until one of the rules holds, of
// normal values whose mean is shifted by so many sigmas: the exact Markov chain
// over the states of Runs itself.
func runLength(rules RunRule, shift float64) float64 {
	// One value in each zone between the whole sigmas. What looks only at trends
	// is left out of the state: the rules here do not.
	zones := []float64{-3.5, -2.5, -1.5, -0.5, 0.5, 1.5, 2.5, 3.5}
	edges := []float64{math.Inf(-1), -3, -2, -1, 0, 1, 2, 3, math.Inf(1)}
	cdf := func(x float64) float64 { return 0.5 * math.Erfc(-(x-shift)/math.Sqrt2) }
	p := make([]float64, len(zones))
	for i := range zones {
		p[i] = cdf(edges[i+1]) - cdf(edges[i])
	}
	strip := func(r Runs) Runs {
		r.hug, r.eight, r.rise, r.fall, r.turns, r.started, r.last = 0, 0, 0, 0, 0, false, 0
		if rules&RuleTwo2 == 0 {
			r.far2 = [2]uint8{}
		}
		if rules&RuleFour1 == 0 {
			r.far1 = [2]uint8{}
		}
		if rules&RuleEight == 0 {
			r.side, r.onSide = 0, 0
		}
		return r
	}
	index := map[Runs]int{{}: 0}
	list := []Runs{{}}
	var next [][]int
	for i := 0; i < len(list); i++ {
		row := make([]int, len(zones))
		for z, v := range zones {
			r := list[i]
			if r.Step(v)&rules != 0 {
				row[z] = -1
				continue
			}
			r = strip(r)
			j, ok := index[r]
			if !ok {
				j = len(list)
				index[r] = j
				list = append(list, r)
			}
			row[z] = j
		}
		next = append(next, row)
	}
	arl := make([]float64, len(list))
	for range 100_000 {
		moved := 0.0
		for i, row := range next {
			v := 1.0
			for z, j := range row {
				if j >= 0 {
					v += p[z] * arl[j]
				}
			}
			moved = max(moved, math.Abs(v-arl[i]))
			arl[i] = v
		}
		if moved < 1e-11 {
			break
		}
	}
	return arl[0]
}

// Average run lengths of the rules as this package runs them, against the exact
// chain of testdata/reference/spc and Champ & Woodall (1987): 91.75.
func TestRunLengths(t *testing.T) {
	var want map[string]any
	if err := json.Unmarshal(readSPC(t, "45_we_rules_arl.json"), &want); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name  string
		rules RunRule
		shift float64
	}{
		{"rule1_only", RuleBeyond3, 0}, {"rules_1_and_4", UsualRules, 0}, {"all_four", WesternElectric, 0},
		{"all_four_shift_1sd", WesternElectric, 1}, {"rule1_only_shift_1sd", RuleBeyond3, 1},
	} {
		spcNear(t, c.name, runLength(c.rules, c.shift), want[c.name].(float64), 1e-5)
	}
	spcNear(t, "Champ & Woodall", runLength(WesternElectric, 0), 91.75, 0.005)
}

// Factors of the two-sided limits, NIST/SEMATECH e-Handbook 8.4.5.1.
func TestMTBFFactors(t *testing.T) {
	n := 0
	for _, row := range readSPCTable(t, "mtbf_factors.csv") {
		level, _ := strconv.ParseFloat(row[0], 64)
		r, _ := strconv.ParseInt(row[1], 10, 64)
		low, _ := strconv.ParseFloat(row[2], 64)
		high, _ := strconv.ParseFloat(row[3], 64)
		m, err := MTBF(1000*float64(r), r, level)
		if err != nil {
			t.Fatal(err)
		}
		spcNear(t, "factor below", m.Low/1000, low, 2e-9*low)
		spcNear(t, "factor above", m.High/1000, high, 2e-9*high)
		n++
	}
	if n < 70 {
		t.Errorf("%d rows", n)
	}
	// 800 h, 2 failures, 90 %: 127 and 2251 h (the e-Handbook's example, from
	// memory); no failure in 1,000 h, one-sided 95 %: 333.808200695334 h.
	m, err := MTBF(800, 2, 0.90)
	if err != nil {
		t.Fatal(err)
	}
	spcNear(t, "800 h below", m.Low, 127.068968274428, 1e-7)
	spcNear(t, "800 h above", m.High, 2251.2286106257, 1e-6)
	least, err := MTBFAtLeast(1000, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	spcNear(t, "at least", least, 333.808200695334, 1e-9)
	if _, err := MTBF(800, 0, 0.9); !errors.Is(err, ErrTooFew) {
		t.Errorf("no failure: %v", err)
	}
	// Exponential repairs: the upper limit is the same chi-square as above, the
	// lower one has two degrees of freedom less.
	e, err := MeanOfExponential(800, 2, 0.90)
	if err != nil {
		t.Fatal(err)
	}
	spcNear(t, "mean above", e.High, m.High, 1e-9)
	q, _ := ChiSquareQuantile(0.95, 4)
	spcNear(t, "mean below", e.Low, 1600/q, 1e-9)
	if _, err := MeanOfExponential(0, 0, 0.9); !errors.Is(err, ErrTooFew) {
		t.Errorf("no repair: %v", err)
	}
}
