package duty

import (
	"cmp"
	"slices"
)

// ChangeKind says how a duty differs between two plans or calendars, numbered
// as in the registry service.
type ChangeKind uint8

// Kinds of change.
const (
	Added ChangeKind = 1
	Gone  ChangeKind = 2
	Moved ChangeKind = 3
)

// Change is one duty that differs. Before is zero where it is added, After
// where it is gone.
type Change struct {
	Kind          ChangeKind
	Before, After Row
}

// row is the one that is there, the later one of both.
func (c *Change) row() *Row {
	if c.Kind == Gone {
		return &c.Before
	}
	return &c.After
}

// Compare tells two lists of duties of one press apart. A duty of a task that
// is due at the same instant is the same one. What is left of a
// task is paired, those nearest to each other first: a pair has moved, the rest
// is added or gone. By task, due.
func Compare(before, after []Row) []Change {
	type key struct {
		task string
		due  int64
	}
	same := map[key]int{}
	for _, r := range before {
		same[key{r.Task, r.Due}]++
	}
	var newer []Row
	for _, r := range after {
		if k := (key{r.Task, r.Due}); same[k] > 0 {
			same[k]--
			continue
		}
		newer = append(newer, r)
	}
	var older []Row
	for i := len(before) - 1; i >= 0; i-- {
		if k := (key{before[i].Task, before[i].Due}); same[k] > 0 {
			same[k]--
			older = append(older, before[i])
		}
	}
	byDue := func(x, y Row) int { return cmp.Or(cmp.Compare(x.Task, y.Task), cmp.Compare(x.Due, y.Due)) }
	slices.SortStableFunc(older, byDue)
	slices.SortStableFunc(newer, byDue)
	var out []Change
	for {
		bi, bj, best := -1, -1, int64(0)
		for i := range older {
			for j := range newer {
				if older[i].Task != newer[j].Task {
					continue
				}
				if d := max(older[i].Due-newer[j].Due, newer[j].Due-older[i].Due); bi < 0 || d < best {
					bi, bj, best = i, j, d
				}
			}
		}
		if bi < 0 {
			break
		}
		out = append(out, Change{Moved, older[bi], newer[bj]})
		older, newer = slices.Delete(older, bi, bi+1), slices.Delete(newer, bj, bj+1)
	}
	for _, r := range older {
		out = append(out, Change{Kind: Gone, Before: r})
	}
	for _, r := range newer {
		out = append(out, Change{Kind: Added, After: r})
	}
	slices.SortStableFunc(out, func(x, y Change) int {
		return cmp.Or(cmp.Compare(x.row().Task, y.row().Task), cmp.Compare(x.row().Due, y.row().Due), cmp.Compare(x.Kind, y.Kind))
	})
	return out
}
