package figures

import "testing"

func TestNumber(t *testing.T) {
	for _, c := range []struct {
		v      float64
		places int
		want   string
	}{{-0.04, 1, "0.0"}, {-0.06, 1, "-0.1"}, {0.04, 1, "0.0"}, {-1234.5, 1, "-1,234.5"}, {-0.4, 0, "0"}} {
		if got := Number(c.v, c.places); got != c.want {
			t.Errorf("%v: %q, want %q", c.v, got, c.want)
		}
	}
}
