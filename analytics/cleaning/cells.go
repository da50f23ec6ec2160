package cleaning

// A view by crew or shift name needs this many badges and sessions, in a cell
// and in all other cells together: fewer, and figures speak of persons.
const (
	CellBadges   = 5
	CellSessions = 20
)

// CellEntry is one session's part in a cell. Group is within what badges keep
// their pseudonym (plant and month); sessions are told apart by any text.
type CellEntry struct {
	Group, Crew string // Crew: pseudonym, empty: not said
	Session     string
}

// Cells are the entries of each cell of a view.
type Cells map[string][]CellEntry

// Refuse names the cells that must not be shown. A cell is refused when it, or
// all others together, has too few badges or sessions. As totals are known, what
// is refused could be had by subtraction: so all refused cells together must be
// enough as well, and as long as they are not, the cell with the fewest sessions
// is refused too. Badges are counted carefully: pseudonyms change with the
// month, so a plant's badges are the most of any of its groups, and entries
// without a crew are no badge. plant maps a group to its plant.
func (c Cells) Refuse(plant func(group string) string) map[string]bool {
	refused := map[string]bool{}
	enough := func(in func(key string) bool) bool {
		return c.enough(in, plant)
	}
	for k := range c {
		if !enough(func(key string) bool { return key == k }) || !enough(func(key string) bool { return key != k }) {
			refused[k] = true
		}
	}
	for len(refused) > 0 && len(refused) < len(c) && !enough(func(key string) bool { return refused[key] }) {
		least := ""
		for k := range c {
			if refused[k] {
				continue
			}
			if least == "" || c.sessions(k) < c.sessions(least) || c.sessions(k) == c.sessions(least) && k < least {
				least = k
			}
		}
		refused[least] = true
	}
	return refused
}

func (c Cells) sessions(key string) int {
	seen := map[string]bool{}
	for _, e := range c[key] {
		seen[e.Session] = true
	}
	return len(seen)
}

func (c Cells) enough(in func(key string) bool, plant func(group string) string) bool {
	sessions := map[string]bool{}
	crews := map[string]map[string]bool{}
	for k, list := range c {
		if !in(k) {
			continue
		}
		for _, e := range list {
			sessions[e.Session] = true
			if e.Crew == "" {
				continue
			}
			if crews[e.Group] == nil {
				crews[e.Group] = map[string]bool{}
			}
			crews[e.Group][e.Crew] = true
		}
	}
	most := map[string]int{}
	for g, set := range crews {
		most[plant(g)] = max(most[plant(g)], len(set))
	}
	badges := 0
	for _, n := range most {
		badges += n
	}
	return badges >= CellBadges && len(sessions) >= CellSessions
}
