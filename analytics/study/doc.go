// Package study answers one question from a fleet's own records: how much more
// did runs waste that started with a station not cleaned, how sure is that, and
// what speaks against reading more into it.
//
// It promises: Run is a function of its data set and its spec alone. The same
// bytes and spec give the same result to the bit on one CPU family, whatever
// GOMAXPROCS is. Coefficients, test statistics and p-values are the same bits on
// amd64 and arm64; interval ends agree there to about 1e-12, because gonum's
// eigenvectors and quantiles differ in the last bits. What the data cannot answer comes
// back as a refusal with its reason, never as a number. No text it writes says
// more than that a difference goes with a missed clean.
//
// The line: DataSet → row selection (frame.go) → exposure units (units.go) →
// Poisson pseudo-likelihood with cluster-robust intervals (model.go) → shift
// test (shift.go) → checks (checks.go) → grade and sentences (grade.go,
// text.go). Estimators are in analytics/stats.
package study

import "errors"

var (
	// ErrSpec occurs when a spec cannot be run; the message names the field.
	ErrSpec = errors.New("unusable study spec")
	// ErrData occurs when a data set contradicts its own rules: rows out of
	// order, a repeated press-day, a state that does not exist.
	ErrData = errors.New("unusable data set")
	// ErrNoPicture occurs when a figure is asked for that the data cannot give;
	// the message says why.
	ErrNoPicture = errors.New("no figure")
)
