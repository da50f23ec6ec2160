package method

import (
	"fmt"
	"slices"

	"github.com/downweb/downweb/analytics/stats"
)

// Methods lists what can be asked for, in the order to show it.
func Methods() []Info { return slices.Clone(registry) }

// Lookup finds a method by name.
func Lookup(name string) (Info, bool) {
	for _, m := range registry {
		if m.Name == name {
			return m, true
		}
	}
	return Info{}, false
}

// Names of the methods, in order.
func Names() (out []string) {
	for _, m := range registry {
		out = append(out, m.Name)
	}
	return out
}

// Run answers a request. Errors wrap stats.ErrInput (the request or the table
// is wrong; the text names the field), stats.ErrTooFew (too little data) or
// stats.ErrNotConverged.
func Run(t *Table, q Request) (*Result, error) {
	m, ok := Lookup(q.Method)
	if !ok {
		return nil, fmt.Errorf("%w: no method %q; there are %q", stats.ErrInput, q.Method, Names())
	}
	j, err := newJob(t, q, m)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", m.Name, err)
	}
	if err := m.run(j); err != nil {
		return nil, fmt.Errorf("%s: %w", m.Name, err)
	}
	if err := j.finish(); err != nil {
		return nil, fmt.Errorf("%s: %w", m.Name, err)
	}
	return &j.out, nil
}

const (
	rowsInOrder = "Rows of a group stand in the order they were run; Time gives it."
	noDriver    = "No unmeasured driver moves exposure and outcome together once the controls and the levels taken out are held fixed. The record cannot show this."
	clustersAre = "Rows of different clusters are independent; inside a cluster they may depend on each other in any way."
	fewClusters = "Below 4 degrees of freedom an interval stays honest but is very wide."
	pairsAre    = "Rows are independent draws, unless a group is given: rows that follow each other make the interval of the pooled figure too narrow."
	withinGroup = "With a group the figure is the mean of the groups' own figures weighted by their rows, its interval a delete-one-group jackknife with t on groups − 1."
	shiftP      = "With a group p comes from rotating the exposure inside each group (see circular-shift), the same rotation for all lags."

	sourceBM   = "Bell and McCaffrey, Survey Methodology 28 (2002) 169–181"
	sourcePT   = "Pustejovsky and Tipton, J. Business & Economic Statistics 36 (2018) 672–683"
	sourceLZ   = "Liang and Zeger, Biometrika 73 (1986) 13–22"
	sourceGMT  = "Gourieroux, Monfort and Trognon, Econometrica 52 (1984) 701–720"
	sourceWY   = "Westfall and Young, Resampling-Based Multiple Testing (1993), step-down max-T"
	sourceMany = "Holm, Scand. J. Statistics 6 (1979) 65–70; Benjamini and Hochberg, JRSS-B 57 (1995) 289–300; Benjamini and Yekutieli, Annals of Statistics 29 (2001) 1165–1188"
	sourceFWL  = "Frisch and Waugh, Econometrica 1 (1933) 387–401; Lovell, JASA 58 (1963) 993–1010"
	sourceJack = "Efron, The Jackknife, the Bootstrap and Other Resampling Plans (1982), ch. 3"
)

var modelRoles = []string{"controls", "group", "cell", "cluster", "time", "offset"}

// registry: words must pass the test that keeps observational texts modest.
// Volumes and pages of the sources are from memory, but for Bell and McCaffrey,
// Pustejovsky and Tipton, Cameron, Gelbach and Miller, MacKinnon and Webb, Bonett
// and Wright, and Kim, seen in the documentation of public packages.
var registry []Info

func init() {
	registry = []Info{
		{
			Name: "pearson", Title: "Pearson correlation, with interval and lags", run: runCorrelation,
			Needs: []string{"outcome", "exposure"}, Takes: []string{"group", "time"}, Options: []string{"level", "lags", "draws", "seed"},
			Formula:     "r = Σ(x−x̄)(y−ȳ) / √(Σ(x−x̄)²·Σ(y−ȳ)²); t = r√((n−2)/(1−r²)) on n − 2; interval tanh(atanh r ± z/√(n−3)). Lag ℓ pairs the outcome with the exposure ℓ rows before.",
			Assumptions: []string{"The relation is close to a straight line; one far point can make or hide it.", pairsAre, withinGroup, shiftP},
			Sources:     []string{"Fisher, Metron 1 (1921) 3–32", sourceJack, sourceMany},
		},
		{
			Name: "spearman", Title: "Spearman rank correlation, with ties, interval and lags", run: runCorrelation,
			Needs: []string{"outcome", "exposure"}, Takes: []string{"group", "time"}, Options: []string{"level", "lags", "draws", "seed"},
			Formula:     "ρ = Pearson's r of mid-ranks; p exact up to 9 pairs without ties, else t = ρ√((n−2)/(1−ρ²)); interval tanh(atanh ρ ± z√((1+ρ²/2)/(n−3))).",
			Assumptions: []string{"The relation rises or falls throughout, straight or not.", pairsAre, withinGroup, shiftP},
			Sources:     []string{"Spearman, American J. Psychology 15 (1904) 72–101", "Bonett and Wright, Psychometrika 65 (2000) 23–28 (interval)", sourceJack, sourceMany},
		},
		{
			Name: "kendall", Title: "Kendall rank correlation τ-b, with ties, interval and lags", run: runCorrelation,
			Needs: []string{"outcome", "exposure"}, Takes: []string{"group", "time"}, Options: []string{"level", "lags", "draws", "seed"},
			Formula:     "τ-b = S / √((n₀−n₁)(n₀−n₂)), S = concordant − discordant pairs, n₀ = n(n−1)/2, n₁, n₂ pairs tied in either; p exact up to 50 pairs without ties, else z = S/√var S with the variance corrected for ties; interval tanh(atanh τ ± z√(0.437/(n−4))).",
			Assumptions: []string{"The relation rises or falls throughout, straight or not.", pairsAre, withinGroup, shiftP},
			Sources:     []string{"Kendall, Rank Correlation Methods, 4th ed. (1970), ch. 3–4", "Bonett and Wright, Psychometrika 65 (2000) 23–28 (interval)", sourceJack, sourceMany},
		},
		{
			Name: "partial", Title: "Partial correlation with controls held fixed", run: runPartial,
			Needs: []string{"outcome", "exposure", "controls"}, Options: []string{"level", "rank"},
			Formula:     "r of the residuals of outcome and exposure, each regressed on the k controls and a constant; t = r√(df/(1−r²)), df = n − 2 − k; interval tanh(atanh r ± z/√(n−3−k)). Rank: the same of mid-ranks.",
			Assumptions: []string{"Outcome and exposure depend on the controls in straight lines (rank: their ranks do).", "Rows are independent."},
			Sources:     []string{"Fisher, Metron 3 (1924) 329–332", "Kim, Commun. Stat. Appl. Methods 22 (2015) 665–674"},
		},
		{
			Name: "fixed-effects", Title: "Linear regression, group levels taken out, clustered errors", run: runRegression,
			Needs: []string{"outcome", "exposure"}, Takes: []string{"controls", "group", "cell", "cluster", "time"}, Options: []string{"level", "correction", "trend"},
			Formula:     "y = α_group (+ slope_group·time) (+ γ_cell) + Xβ + e, least squares; V = M(Σ_g X̃g'A_g e_g e_g'A_g X̃g)M, A_g = I (CR0), I·√(G/(G−1)·(N−1)/(N−K)) (CR1), (I−H_gg)^(−1/2) (CR2), (I−H_gg)^(−1) (CR3); t with Satterthwaite degrees of freedom for CR2, G − 1 for the others.",
			Assumptions: []string{"The mean is additive in the terms given.", noDriver, clustersAre, fewClusters, "Without a cluster or group every row is its own cluster (HC0 … HC3)."},
			Sources:     []string{sourceFWL, sourceLZ, sourceBM, sourcePT},
		},
		{
			Name: "wild-bootstrap", Title: "Linear regression tested by the wild cluster bootstrap", run: runWild,
			Needs: []string{"outcome", "exposure"}, Takes: []string{"controls", "group", "cell", "cluster", "time"}, Options: []string{"level", "trend", "draws", "seed", "weights"},
			Formula:     "For each term: residuals ẽ of the fit with β = 0; outcomes y* = ŷ₀ + v_g·ẽ with one random v per cluster (±1; or six points); t* as t with CR1; p = share of |t*| ≥ |t|. ±1 with at most 12 clusters: every one of the 2^G sign patterns. Interval: all β₀ that the same test does not reject.",
			Assumptions: []string{noDriver, clustersAre, "With 5 or fewer clusters ±1 gives too few patterns for small p-values; six-point weights give more."},
			Sources:     []string{"Cameron, Gelbach and Miller, Review of Economics and Statistics 90 (2008) 414–427", "Webb, Canadian J. Economics 56 (2023) 839–858 (six points)", "MacKinnon and Webb, Econometrics J. 21 (2018) 114–135"},
		},
		{
			Name: "poisson", Title: "Rate regression for meters and counts over a length", run: runRegression,
			Needs: []string{"outcome", "exposure"}, Takes: modelRoles, Options: []string{"level", "correction", "trend"},
			Formula:     "Poisson pseudo-likelihood: E[y] = offset · exp(α_group (+ slope_group·time) (+ γ_cell) + Xβ), Σ X̃'(y − μ) = 0 by iteratively reweighted least squares; cluster-robust V as in fixed-effects on the rows scaled by √μ; exp(β) is a rate ratio. CR2-power: V of CR2 times V(Φ)/E_Φ[V], Var[y] ∝ μ^p as Φ, p from the slope of log(u²/(1−h)) on log μ: what the default study takes.",
			Assumptions: []string{"Only the mean must be right: skew, zeros and spread beyond Poisson do no harm to the interval.", noDriver, clustersAre, fewClusters},
			Sources:     []string{sourceGMT, "Santos Silva and Tenreyro, Review of Economics and Statistics 88 (2006) 641–658", sourceBM, sourcePT, "Harvey, Econometrica 44 (1976) 461–465 (the power)"},
		},
		{
			Name: "negative-binomial", Title: "Rate regression for counts that spread more than Poisson", run: runNegativeBinomial,
			Needs: []string{"outcome", "exposure"}, Takes: modelRoles, Options: []string{"level", "correction", "trend"},
			Formula:     "y ~ NB2: E[y] = μ = offset · exp(effects + Xβ), Var[y] = μ + μ²/θ; β and θ by maximum likelihood in turn until neither moves; intervals cluster-robust on the rows scaled by √(μ/(1+μ/θ)).",
			Assumptions: []string{"The outcome is a count: whole numbers from 0. Not offered for meters, whose unit would change the weights.", "The variance is μ + μ²/θ with one θ for all rows; the interval of β does not lean on it, θ does.", noDriver, clustersAre},
			Sources:     []string{"Cameron and Trivedi, Regression Analysis of Count Data, 2nd ed. (2013), 3.3", "Venables and Ripley, Modern Applied Statistics with S, 4th ed. (2002), 7.4", sourceBM},
		},
		{
			Name: "circular-shift", Title: "Test by rotating the exposure inside each group, with max-T", run: runPermutation,
			Needs: []string{"outcome", "exposure", "group"}, Takes: []string{"controls", "cell", "time", "offset"}, Options: []string{"model", "trend", "lags", "draws", "seed"},
			Formula:     "r = residual of the outcome on everything but the exposure, q = exposure net of everything else, both scaled by the root of the fitted weight; C_b(k) = Σ_{t∈b} r_t·q_{t−k} less its mean over k, per block b of a group, T(k) = ΣC_b / √ΣC_b²; p = (1 + #{|T(k)| ≥ |T(0)|}) / (1 + draws); max-T: the same with the largest |T| of the exposures and lags not yet passed.",
			Assumptions: []string{rowsInOrder, "Given the controls, exposure and outcome have nothing to do with each other (this is what is tested) and one of the two does not change its habits over the record.", "Rows enter after those with a missing value are left out."},
			Sources:     []string{"Romano and Tirlea, J. Time Series Analysis 43 (2022) 781–807 (why such a statistic must be studentised)", "Dekker, Krackhardt and Snijders, Psychometrika 72 (2007) 563–581", sourceWY, sourceMany},
		},
		{
			Name: "block-permutation", Title: "Test by shuffling blocks of the exposure, with max-T", run: runPermutation,
			Needs: []string{"outcome", "exposure", "group"}, Takes: []string{"controls", "cell", "time", "offset"}, Options: []string{"model", "trend", "lags", "block_length", "draws", "seed"},
			Formula:     "As circular-shift, with the group's exposure cut into blocks of a fixed number of rows, which are put in random order, instead of rotated.",
			Assumptions: []string{rowsInOrder, "Blocks are long enough that what one row does to the next ends inside them, and short enough that there are many.", "Blocks of a group may stand in any order: no trend is left in the exposure once the controls are held fixed."},
			Sources:     []string{"Winkler, Webster, Vidaurre, Nichols and Smith, NeuroImage 123 (2015) 253–268", sourceWY, sourceMany},
		},
		{
			Name: "permutation", Title: "Plain permutation test of means, pairs or a correlation", run: runExact,
			Needs: []string{"outcome", "exposure"}, Takes: []string{"group"}, Options: []string{"draws", "seed"},
			Formula:     "S = Σ over groups of Σ(x−x̄)(y−ȳ); p = share of the orders of x inside the groups with |S*| ≥ |S|, all of them up to a million, else draws. Two values of x compare means; groups of two are pairs whose difference changes its sign; the value shown is S/Σ(x−x̄)².",
			Assumptions: []string{"Inside a group every order of the exposure was as likely as the one seen: drawn by lot, or rows that do not follow each other. For a series take circular-shift."},
			Sources:     []string{"Fisher, The Design of Experiments (1935), section 21", "Pitman, JRSS Supplement 4 (1937) 119–130"},
		},
		{
			Name: "adjust", Title: "Correct a column of p-values for their number: Holm, BH, BY", run: runAdjust,
			Needs: []string{"outcome"}, Takes: []string{"exposure"},
			Formula:     "p₍₁₎ ≤ … ≤ p₍ₘ₎. Holm: max over j ≤ i of (m−j+1)·p₍ⱼ₎. BH: min over j ≥ i of m·p₍ⱼ₎/j. BY: BH times 1 + 1/2 + … + 1/m. The outcome is the p-value, an exposure column names the rows.",
			Assumptions: []string{"Holm bounds the chance of one wrong rejection under any dependence; BH bounds the share of wrong ones if the tests are independent or move together; BY bounds that share under any dependence."},
			Sources:     []string{sourceMany},
		},
		{
			Name: "dose-binned", Title: "Outcome over bins of a dose against the lowest, with a band", run: runDose,
			Needs: []string{"outcome", "exposure"}, Takes: modelRoles, Options: []string{"level", "model", "correction", "trend", "bins", "draws", "seed"},
			Formula:     "Bins: the lowest dose, then equal shares of the doses above it, each bin one 0/1 term of the linear or Poisson model; interval per bin as in fixed-effects; band over all bins: half width c·SE, c the level-quantile of the largest |Σ v_g s_g| / √Σ s_g² over bins, v standard normal per cluster, s the clusters' scores, carried to each bin's t at the same tail.",
			Assumptions: []string{noDriver, clustersAre, "The last bins are survivors: runs that stayed good long enough to get there.", "Other clocks that run alongside (job, ink, plate, blade age) are seen as this one unless they are controls."},
			Sources:     []string{sourceBM, sourcePT, "Montiel Olea and Plagborg-Møller, J. Applied Econometrics 34 (2019) 1–17 (sup-t band)"},
		},
		{
			Name: "dose-isotonic", Title: "Outcome as a never-falling curve of a dose, with a band", run: runDose,
			Needs: []string{"outcome", "exposure"}, Takes: modelRoles, Options: []string{"level", "model", "correction", "trend", "bins", "draws", "seed"},
			Formula:     "The binned estimates with weights 1/SE² pooled to the closest never-falling steps (pool adjacent violators), the lowest bin held at 0; the ends of the band of dose-binned pooled alike. Test: the straight-line term of the dose in the same model.",
			Assumptions: []string{"The curve does not fall anywhere; where the true one falls this one is flat, and it rises at both ends by construction.", noDriver, clustersAre, "A picture: the test that goes with it is the straight line."},
			Sources:     []string{"Barlow, Bartholomew, Bremner and Brunk, Statistical Inference under Order Restrictions (1972), ch. 1", "Chernozhukov, Fernández-Val and Galichon, Biometrika 96 (2009) 559–575 (ordering band ends keeps their coverage)", sourcePT},
		},
		{
			Name: "distributed-lags", Title: "Outcome over this row's exposure and that of rows before", run: runLags,
			Needs: []string{"outcome", "exposure", "group", "time"}, Takes: []string{"controls", "cell", "cluster", "offset"}, Options: []string{"level", "model", "correction", "trend", "lags", "draws", "seed"},
			Formula:     "E[y_t] as in the linear or Poisson model with Σ_ℓ β_ℓ x_{t−ℓ}, ℓ = 0 … Lags, rows of the group before; the sum's standard error from the whole V of β; bands as in dose-binned.",
			Assumptions: []string{rowsInOrder, "The first rows of a group, which have no full past, are left out.", noDriver, "The exposure does not answer to earlier outcomes, unless those are controls.", clustersAre},
			Sources:     []string{"Almon, Econometrica 33 (1965) 178–196 (the model, here without her polynomial)", sourceGMT, sourceBM, sourcePT},
		},
		{
			Name: "event-study", Title: "Outcome before and after an exposure begins or ends", run: runEvents,
			Needs: []string{"outcome", "exposure", "group", "time"}, Takes: []string{"controls", "cell", "cluster", "offset"}, Options: []string{"level", "model", "correction", "trend", "lags", "leads", "washout", "align", "draws", "seed"},
			Formula:     "Event: the first exposed row after at least Washout rows without exposure (end: the first row without it after exposed ones). E[y] as in the linear or Poisson model with one term per row −Leads … Lags around an event, row −1 left out, the end terms taking all rows beyond; overlapping windows add. Band as in dose-binned; test of the past: the largest |t| of the terms before the event by the same draws.",
			Assumptions: []string{rowsInOrder, "Before the event nothing would have differed from rows far from any event; a flat past is not a proof.", noDriver, clustersAre},
			Sources:     []string{"Schmidheiny and Siegloch, J. Applied Econometrics 38 (2023) 695–713", "Roth, American Economic Review: Insights 4 (2022) 305–322 (pre-trend tests)", "Montiel Olea and Plagborg-Møller, J. Applied Econometrics 34 (2019) 1–17", sourceBM},
		},
		{
			Name: "lives", Title: "Lives: survival curve, Weibull, mean time between failures", run: runLives,
			Needs:       []string{"outcome", "event"},
			Formula:     "Product limit S(t) = Π (1 − d/n) over failure times, Greenwood's variance, 95 % limits by log S. Weibull S(t) = exp(−(t/η)^β) by maximum likelihood, limits of β by log β. Mean: T/r, 95 % limits 2T/χ²(0.975; 2r+2) and 2T/χ²(0.025; 2r).",
			Assumptions: []string{"A life is cut short for reasons that have nothing to do with how near its failure was; a clean or a change on demand breaks this.", "Lives are independent and start as good as new.", "The mean's limits: failures come at a constant rate (shape 1)."},
			Sources:     []string{"Kaplan and Meier, JASA 53 (1958) 457–481", "NIST/SEMATECH e-Handbook of Statistical Methods, 8.2.1.5, 8.4.1.3, 8.4.5.1", "Lawless, Statistical Models and Methods for Lifetime Data, 2nd ed. (2003), 5.2"},
		},
	}
}
