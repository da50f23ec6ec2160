package method

import "slices"

// defaults fills in what was left at zero and checks the rest. An option the
// method does not read must be left at zero (an option that is ignored is a
// trap), but level, draws and seed, which a caller may pass to any method.
func (m *Info) defaults(o Options, r Roles) (Options, error) {
	given := map[string]bool{
		"level": o.Level != 0, "model": o.Model != "", "correction": o.Correction != "", "trend": o.Trend,
		"lags": o.Lags != 0, "leads": o.Leads != 0, "washout": o.Washout != 0, "align": o.Align != "",
		"draws": o.Draws != 0, "seed": o.Seed != 0, "block_length": o.BlockLength != 0, "bins": o.Bins != 0,
		"weights": o.Weights != "", "rank": o.Rank,
	}
	reads := func(name string) bool { return slices.Contains(m.Options, name) }
	for _, name := range []string{"level", "model", "correction", "trend", "lags", "leads", "washout", "align", "draws", "seed", "block_length", "bins", "weights", "rank"} {
		if given[name] && !reads(name) && name != "level" && name != "seed" && name != "draws" {
			return o, input("does not read option %s; it reads %q", name, m.Options)
		}
	}
	text := func(name string, v *string, first string, others ...string) error {
		switch {
		case !reads(name):
		case *v == "":
			*v = first
		case *v != first && !slices.Contains(others, *v):
			return input("%s is %q, want %q or one of %q", name, *v, first, others)
		}
		return nil
	}
	whole := func(name string, v *int, def, least, most int) error {
		if !reads(name) {
			return nil
		}
		if *v == 0 {
			*v = def
		}
		if *v < least || *v > most {
			return input("%s is %d, want %d…%d", name, *v, least, most)
		}
		return nil
	}
	if o.Level == 0 {
		o.Level = 0.95
	}
	if !(o.Level >= 0.5 && o.Level <= 0.999) {
		return o, input("level is %v, want 0.5…0.999", o.Level)
	}
	model, other := Linear, Poisson
	if r.Offset != "" {
		model, other = Poisson, Linear
	}
	lags := 0
	if m.Name == "distributed-lags" || m.Name == "event-study" {
		lags = 7
	}
	if o.Seed == 0 {
		o.Seed = 1
	}
	if !reads("draws") {
		o.Draws, o.Seed = 0, 0
	}
	corrections := []string{"CR0", "CR1", "CR3"}
	if m.Name == "poisson" {
		corrections = append(corrections, CR2Power)
	}
	for _, err := range []error{
		text("model", &o.Model, model, other),
		text("correction", &o.Correction, "CR2", corrections...),
		text("align", &o.Align, "onset", "end"),
		text("weights", &o.Weights, "rademacher", "webb"),
		whole("draws", &o.Draws, 9999, 99, 1_000_000),
		whole("lags", &o.Lags, lags, 0, 60),
		whole("leads", &o.Leads, 5, 2, 60),
		whole("washout", &o.Washout, 3, 1, 60),
		whole("block_length", &o.BlockLength, 7, 1, 10_000),
		whole("bins", &o.Bins, 4, 1, 50),
	} {
		if err != nil {
			return o, err
		}
	}
	if o.Model == Linear && r.Offset != "" {
		return o, input("an offset needs the poisson model")
	}
	return o, nil
}
