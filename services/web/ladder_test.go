package web

import (
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// Every column of a ladder adds up as it is printed, and every bar lies inside its picture, whatever the tree.
func TestLadderAddsUp(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	number := func(text string) int64 {
		text = strings.NewReplacer(",", "", "−", "-", ".", "").Replace(text)
		if text == "" {
			return 0
		}
		if h, m, ok := strings.Cut(text, ":"); ok {
			a, _ := strconv.ParseInt(h, 10, 64)
			b, _ := strconv.ParseInt(m, 10, 64)
			if strings.HasPrefix(h, "-") {
				return a*60 - b
			}
			return a*60 + b
		}
		n, err := strconv.ParseInt(text, 10, 64)
		if err != nil {
			t.Fatalf("%q: %v", text, err)
		}
		return n
	}
	for range 300 {
		tree := &pb.LossTree{Ok: true, Sum: &pb.LossLeaf{}, Cleaning: &pb.LossLeaf{}, Dirt: &pb.LossLeaf{}}
		n := 2 + rng.IntN(20)
		cents := int64(0)
		for i := range n {
			us := rng.Int64N(9e9) // tenths of a millisecond upward
			if i == 1 {
				us = -us / 7 // slow running may be won back
			}
			a := rng.Int64N(1e9)
			cents += a
			l := &pb.LossLeaf{Leaf: strconv.Itoa(i), Name: strconv.Itoa(i), Share: []string{"cleaning", "dirt", ""}[i%3], TimeUs: us, LengthMm: rng.Int64N(1e8), Money: []*pb.Money{{Currency: "EUR", Amount: strconv.FormatFloat(float64(a)/1e4, 'f', 4, 64)}}}
			tree.Leaves = append(tree.Leaves, l)
			tree.Sum.TimeUs += us
		}
		tree.Sum.Money = []*pb.Money{{Currency: "EUR", Amount: strconv.FormatFloat(float64(cents)/1e4, 'f', 4, 64)}}
		tree.ValuableUs = rng.Int64N(3e11)
		tree.PlannedBusyUs = tree.ValuableUs + tree.Sum.TimeUs
		for _, scale := range []lossScale{scaleAll, scaleLosses} {
			l := newLadder(tree, scale, func(string) string { return "" })
			var time, points, meters, money int64
			var sum lossRow
			for _, r := range l.Rows {
				switch {
				case r.Kind == "leaf":
					time, points, meters, money = time+number(r.Time), points+number(r.Points), meters+number(r.Meters), money+number(r.Money[0])
				case r.Name == "rounding":
					money += number(r.Money[0])
				case r.Kind == "sum":
					sum = r
				}
				if r.W == "" {
					continue
				}
				x, _ := strconv.ParseFloat(strings.TrimSuffix(r.X, "%"), 64)
				w, _ := strconv.ParseFloat(strings.TrimSuffix(r.W, "%"), 64)
				if x < 0 || w <= 0 || x > 100 {
					t.Errorf("bar from %s, %s wide", r.X, r.W)
				}
			}
			if time != number(sum.Time) || points != number(sum.Points) || meters != number(sum.Meters) || money != number(sum.Money[0]) {
				t.Errorf("columns give %d, %d, %d, %d; the sum line %+v", time, points, meters, money, sum)
			}
			if whole, good := l.Rows[0], l.Rows[len(l.Rows)-1]; number(whole.Time) != number(sum.Time)+number(good.Time) || number(sum.Points)+number(good.Points) != 10_000 {
				t.Errorf("%+v less %+v is not %+v", whole, sum, good)
			}
			var apart int64
			for _, r := range l.Apart {
				apart += number(r.Time)
			}
			if apart != number(sum.Time) {
				t.Errorf("apart %d, sum %s", apart, sum.Time)
			}
		}
	}
}
