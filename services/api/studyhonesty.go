package api

import (
	"fmt"

	"github.com/downweb/downweb/analytics/study"
	"github.com/downweb/downweb/services/honesty"
)

// keptAlpha is the error that the fleets of the honesty table were asked with.
const keptAlpha = 0.05

// MethodHonesty says how often a study's method was right about simulated fleets
// of about its size, from the counts this program was built with. They are read
// when the study is shown, never kept with it: a method that is counted again is
// quoted with the new counts in every study that was made by it.
func MethodHonesty(res *study.Result) ([]string, error) {
	b, err := honesty.Kept()
	if err != nil {
		return nil, err
	}
	return methodHonesty(b, res), nil
}

func methodHonesty(b *honesty.Book, res *study.Result) []string {
	if res.Refused != "" {
		return nil
	}
	s := &res.Spec
	if s.Controls != (study.Controls{}) || s.PlainShift || s.Alpha != keptAlpha {
		return []string{"This is not the default study: how often it is right about simulated fleets was not counted."}
	}
	t := res.Trial
	out := b.Quote(res.Method, len(res.Presses), t != nil && t.Refusal == "")
	if s.Block == study.BlockPlant && len(out) > 1 {
		out = append(out, fmt.Sprintf("Those fleets were asked with every press shifted by itself (block %s); this study shifts the presses of a plant together.", study.BlockPress))
	}
	return out
}
