package method_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/downweb/downweb/analytics/method"
	"github.com/downweb/downweb/analytics/stats/statstest"
)

// rDesigns builds the designs again in R from the same rows: bins, lags, windows
// around events, each fitted with all levels as dummies, clubSandwich CR2 with
// Satterthwaite degrees of freedom on lm of the √μ-scaled working response.
const rDesigns = `
suppressPackageStartupMessages(library(clubSandwich))
d <- read.csv(commandArgs(TRUE)[1]); d <- d[order(d$press, d$day), ]; d$press <- factor(d$press); d$week <- factor(d$week)
out <- list()
fit <- function(f, d, model) {
  X <- model.matrix(f, d); y <- if (model == "poisson") d$waste else d$rate
  keep <- qr(X); X <- X[, keep$pivot[seq_len(keep$rank)]]
  if (model == "poisson") {
    g <- glm(y ~ X + 0, family = quasipoisson, offset = log(d$km), control = list(epsilon = 1e-14, maxit = 100))
    mu <- fitted(g); z <- g$linear.predictors - log(d$km) + (y - mu) / mu; s <- sqrt(mu)
  } else { z <- y; s <- rep(1, length(y)) }
  A <- X * s; b <- z * s; l <- lm(b ~ A + 0); names(l$coefficients) <- colnames(X)
  ct <- coef_test(lm(b ~ A + 0), vcov = "CR2", cluster = d$press, test = "Satterthwaite")
  list(l = lm(b ~ A + 0), names = colnames(X), press = d$press, ct = ct)
}
pick <- function(m, n) { i <- match(n, m$names); list(value = m$ct$beta[i], se = m$ct$SE[i], df = m$ct$df[i], p = m$ct$p_Satt[i]) }

# dose: the lowest is 0 on at least 20 rows; four quantile bins up to the 95th percentile of the rest
pos <- d$dose[d$dose > 0]; stopifnot(sum(d$dose == 0) >= 20)
edge <- c(0, quantile(pos, .95 * 1:4 / 4, type = 7, names = FALSE))
for (b in 1:4) d[[paste0("b", b)]] <- as.numeric(d$dose > edge[b] & d$dose <= edge[b + 1])
d$top <- as.numeric(d$dose > edge[5])
m <- fit(~ press + mix + b1 + b2 + b3 + b4 + top, d, "poisson")
out$dose <- c(pick(m, paste0("b", 1:4)), list(edge = edge))
y <- out$dose$value; w <- 1 / out$dose$se^2
mean_w <- function(a, b) sum(y[a:b] * w[a:b]) / sum(w[a:b])
out$isotonic <- pmax(0, sapply(1:4, function(i) max(sapply(1:i, function(a) min(sapply(i:4, function(b) mean_w(a, b)))))))
m <- fit(~ press + mix + dose, d, "poisson"); out$line <- pick(m, "dose")

# lags 0 … 3 of dirty, and their sum
for (k in 0:3) d[[paste0("l", k)]] <- ave(d$dirty, d$press, FUN = function(x) c(rep(NA, k), head(x, length(x) - k)))
e <- d[!is.na(d$l3), ]
for (model in c("linear", "poisson")) {
  m <- fit(~ press + mix + l0 + l1 + l2 + l3, e, model)
  o <- pick(m, paste0("l", 0:3))
  lc <- linear_contrast(m$l, vcov = "CR2", cluster = e$press, contrasts = matrix(as.numeric(m$names %in% paste0("l", 0:3)), 1), test = "Satterthwaite")
  o$sum <- c(lc$Est, lc$SE, lc$df); out[[paste0("lags_", model)]] <- o
}

# events: first dirty row after three clean ones; rows −5 … 7, ends take the rest
for (align in c("onset", "end")) {
  for (k in -5:7) d[[paste0("e", k + 5)]] <- 0
  n <- 0
  for (p in levels(d$press)) {
    i <- which(d$press == p); x <- d$dirty[i]
    ev <- if (align == "onset") Filter(function(t) t > 3 && x[t] == 1 && all(x[t - 1:3] == 0), seq_along(x)) else Filter(function(t) t > 1 && x[t] == 0 && x[t - 1] == 1, seq_along(x))
    n <- n + length(ev)
    for (t in ev) for (r in seq_along(x)) { k <- max(-5, min(7, r - t)); c <- paste0("e", k + 5); d[i[r], c] <- d[i[r], c] + 1 }
  }
  ks <- setdiff(-5:7, -1)
  m <- fit(reformulate(c("press", "mix", paste0("e", ks + 5))), d, "poisson")
  out[[align]] <- c(pick(m, paste0("e", ks + 5)), list(events = n))
}
# weeks of a plant as a second level taken out, and a trend per press
m <- fit(~ press + press:day + week + mix + dirty, d, "poisson"); out$cells <- pick(m, "dirty")
cat(jsonlite::toJSON(out, digits = NA, auto_unbox = TRUE))
`

type rTerms struct {
	Value, SE, DF, P, Sum, Edge []float64
	Events                      float64
}

type rOne struct{ Value, SE, DF, P float64 }

func TestDesignsAgainstR(t *testing.T) {
	text := fleetCSV(21, 9, 80)
	var want struct {
		Dose, Onset, End rTerms
		Isotonic         []float64
		Line, Cells      rOne
		Linear           rTerms `json:"lags_linear"`
		Poisson          rTerms `json:"lags_poisson"`
	}
	statstest.R(t, []string{"clubSandwich"}, rDesigns, text, &want)
	table, err := method.ReadCSV(strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	ask := func(name string, change func(q *method.Request)) *method.Result {
		t.Helper()
		q := requests()[name]
		if change != nil {
			change(&q)
		}
		r, err := method.Run(table, q)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	near := func(what string, got, want float64) {
		t.Helper()
		if !(math.Abs(got-want) <= 1e-6*max(1, math.Abs(want))) {
			t.Errorf("%s: %.12g, R %.12g", what, got, want)
		}
	}
	same := func(what string, es []method.Estimate, w rTerms) {
		t.Helper()
		if len(es) != len(w.Value) {
			t.Fatalf("%s: %d estimates, R has %d", what, len(es), len(w.Value))
		}
		for i, e := range es {
			at := fmt.Sprint(what, " ", i)
			near(at, e.Value, w.Value[i])
			near(at+" se", *e.SE, w.SE[i])
			near(at+" df", *e.DF, w.DF[i])
			near(at+" p", *e.P, w.P[i])
			if !(*e.BandLow <= *e.Low && *e.Low < e.Value && e.Value < *e.High && *e.High <= *e.BandHigh) {
				t.Errorf("%s: band %v %v, interval %v %v", at, *e.BandLow, *e.BandHigh, *e.Low, *e.High)
			}
		}
	}
	r := ask("dose-binned", nil)
	same("dose", r.Estimates, want.Dose)
	for i, e := range r.Estimates {
		near("from", *e.From, want.Dose.Edge[i])
		near("to", *e.To, want.Dose.Edge[i+1])
	}
	r = ask("dose-isotonic", nil)
	for i, e := range r.Estimates {
		near("isotonic", e.Value, want.Isotonic[i])
	}
	near("line", r.Tests[0].Statistic, want.Line.Value/want.Line.SE)
	near("line p", r.Tests[0].P, want.Line.P)
	for model, w := range map[string]rTerms{method.Linear: want.Linear, method.Poisson: want.Poisson} {
		r = ask("distributed-lags", func(q *method.Request) {
			q.Options.Lags, q.Options.Model = 3, model
			if model == method.Linear {
				q.Roles.Outcome, q.Roles.Offset = "rate", ""
			}
		})
		same("lags "+model, r.Estimates, w)
		s := r.Sums[0]
		near("sum", s.Value, w.Sum[0])
		near("sum se", *s.SE, w.Sum[1])
		near("sum df", *s.DF, w.Sum[2])
	}
	for align, w := range map[string]rTerms{"onset": want.Onset, "end": want.End} {
		r = ask("event-study", func(q *method.Request) { q.Options.Align = align })
		same("events "+align, r.Estimates, w)
		top, least := 0.0, 1.0
		for _, e := range r.Estimates {
			if *e.Lag < 0 {
				top, least = max(top, math.Abs(*e.Statistic)), min(least, *e.P)
			}
		}
		if x := r.Tests[0]; x.Statistic != top || x.P < least || x.P > min(1, 4*least+0.01) {
			t.Errorf("%s: test of the past %+v, largest |t| %v, smallest p %v of 4", align, x, top, least)
		}
		for _, f := range r.Figures {
			if f.Name == "events" {
				near("events", f.Value, w.Events)
			}
		}
	}
	r = ask("poisson", func(q *method.Request) { q.Roles.Cell, q.Options.Trend = "week", true })
	near("cells", r.Estimates[0].Value, want.Cells.Value)
	near("cells se", *r.Estimates[0].SE, want.Cells.SE)
	near("cells df", *r.Estimates[0].DF, want.Cells.DF)
}
