package study

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"math"
	"reflect"
	"runtime"
	"testing"
	"time"
)

func demoFleet(seed uint64) fleet {
	return fleet{seed: seed, plants: 2, presses: 12, days: 130, stations: 8, effect: math.Log(1.5)}
}

// A planted ratio of 1.5 lies inside the 95 % interval, and no station without
// an effect passes max-T, in at least 18 of 20 fleets (5 % error each: the
// chance of fewer is 7.5 % for one seed list, which is fixed).
func TestPlantedEffectRecovered(t *testing.T) {
	covered, clean, found, meters := 0, 0, 0, 0
	start := time.Now()
	for seed := uint64(1); seed <= 20; seed++ {
		f := demoFleet(seed)
		ds := f.make()
		spec := DefaultSpec()
		spec.Permutations = 1999
		r, err := Run(ds, spec, nil)
		if err != nil {
			t.Fatal(err)
		}
		e := r.Findings[0].Waste
		if e == nil {
			t.Fatalf("seed %d: %s", seed, r.Findings[0].Refusal)
		}
		in := e.BetaLow <= f.effect && f.effect <= e.BetaHigh
		truth := e.Mean * (1 - math.Exp(-f.effect))
		if in {
			covered++
		}
		if e.Low <= truth && truth <= e.High {
			meters++
		}
		if r.Findings[0].Test.Adjusted <= 0.05 {
			found++
		}
		low := 1.0
		for _, x := range r.Findings[1:] {
			if x.Test != nil {
				low = min(low, x.Test.Adjusted)
			}
		}
		if low > 0.05 {
			clean++
		}
		t.Logf("seed %2d ratio %.2f (%.2f to %.2f, df %.1f) adjusted p %.4f, grade %s; smallest null p %.3f; %v", seed,
			e.Ratio, e.RatioLow, e.RatioHigh, e.DF, r.Findings[0].Test.Adjusted, r.Findings[0].GradeName, low, r.Findings[0].Limits)
	}
	t.Logf("covered %d, meters covered %d, null stations quiet %d, found %d of 20 in %v", covered, meters, clean, found, time.Since(start).Round(time.Millisecond))
	if covered < 18 || meters < 18 || clean < 18 {
		t.Errorf("covered %d, meters %d, quiet %d; 18 of 20 wanted", covered, meters, clean)
	}
	if found < 15 {
		t.Errorf("a ratio of 1.5 was found in %d of 20 fleets only", found)
	}
}

// The same data set and spec give the same JSON, to the bit, on one and on
// several threads, and after a round trip through the canonical bytes.
func TestSameBits(t *testing.T) {
	ds := demoFleet(5).make()
	spec := DefaultSpec()
	spec.Permutations = 499
	out := func(ds *DataSet) string {
		r, err := Run(ds, spec, nil)
		if err != nil {
			t.Fatal(err)
		}
		b, err := json.Marshal(r)
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	first := out(ds)
	old := runtime.GOMAXPROCS(1)
	one := out(ds)
	runtime.GOMAXPROCS(7)
	seven := out(ds)
	runtime.GOMAXPROCS(old)
	again, err := Parse(ds.Bytes())
	if err != nil {
		t.Fatal(err)
	}
	if first != one || first != seven || first != out(again) {
		t.Error("the result depends on the number of threads or on the encoding")
	}
}

// Coefficients, statistics and p-values are these bits on every CPU and for
// ever: a stored study must rerun to the same numbers. The hash was the same on
// amd64 and, under emulation, on arm64. A change of method changes Method and
// this hash together.
func TestFrozenBits(t *testing.T) {
	ds := fleet{seed: 4, plants: 2, presses: 8, days: 70, stations: 4, effect: 0.4}.make()
	spec := DefaultSpec()
	spec.Permutations = 499
	r, err := Run(ds, spec, nil)
	if err != nil {
		t.Fatal(err)
	}
	h := sha256.New()
	put := func(v float64) { _ = binary.Write(h, binary.LittleEndian, v) } // a hash never fails
	for _, x := range r.Findings {
		put(x.Waste.Beta)
		put(x.Waste.Difference)
		put(x.Test.T)
		put(x.Test.P)
		put(x.Test.Adjusted)
		put(x.Test.Weeks)
		put(x.Checks.Lead.Beta)
		put(x.Checks.Lead.P)
		put(*x.Checks.Alone)
	}
	for _, c := range r.Map {
		put(c.T)
		put(c.P)
		put(c.Q)
	}
	const want = "e0fbf4d0903774f74c478faa4af109a55250cc4390fbc2782c29b5926dc8ea36"
	if got := hex.EncodeToString(h.Sum(nil)); got != want {
		t.Errorf("%s: bits %s, want %s", Method, got, want)
	}
}

// checkText fails on any forbidden word in any string of v, and on any number
// that JSON cannot carry.
func checkText(t *testing.T, path string, v reflect.Value) {
	t.Helper()
	switch v.Kind() {
	case reflect.String:
		if w := ForbiddenWords(v.String()); w != nil {
			t.Errorf("%s says %q: %s", path, w, v.String())
		}
	case reflect.Float64:
		if math.IsNaN(v.Float()) || math.IsInf(v.Float(), 0) {
			t.Errorf("%s is %v", path, v.Float())
		}
	case reflect.Pointer:
		if !v.IsNil() {
			checkText(t, path, v.Elem())
		}
	case reflect.Slice, reflect.Array:
		for i := range v.Len() {
			checkText(t, fmt.Sprintf("%s[%d]", path, i), v.Index(i))
		}
	case reflect.Map:
		for _, k := range v.MapKeys() {
			checkText(t, path+"."+k.String(), v.MapIndex(k))
		}
	case reflect.Struct:
		for i := range v.NumField() {
			if v.Type().Field(i).IsExported() {
				checkText(t, path+"."+v.Type().Field(i).Name, v.Field(i))
			}
		}
	}
}
