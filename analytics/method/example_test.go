package method_test

import (
	"fmt"
	"strings"

	"github.com/downweb/downweb/analytics/method"
)

// Darwin's fifteen pairs of plants as Fisher counted them out: the sign of every
// difference flipped in all 32,768 ways.
func ExampleRun() {
	var b strings.Builder
	b.WriteString("pair,crossed,height\n")
	for i, d := range []int{49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48} {
		fmt.Fprintf(&b, "%d,1,%d\n%d,0,0\n", i, d, i)
	}
	table, err := method.ReadCSV(strings.NewReader(b.String()))
	if err != nil {
		fmt.Println(err)
		return
	}
	r, err := method.Run(table, method.Request{
		Method: "permutation",
		Roles:  method.Roles{Outcome: "height", Exposure: []string{"crossed"}, Group: "pair"},
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	e := r.Estimates[0]
	fmt.Printf("%s: %.2f eighths of an inch, p %.4f, exact %v\n", e.Term, e.Value, *e.P, e.Exact)
	// Output: crossed: 20.93 eighths of an inch, p 0.0527, exact true
}
