// Package interval answers which cleaning or replacement interval pays, where
// the data can answer it, and says by which number it cannot.
//
// Two models: waste that grows since the last clean (Growth, economics of
// cleaning every T), and a station that fails (Kaplan–Meier, Weibull with
// right-censoring, age replacement). Everything is a function of values; "not
// enough data" and "refused" are results.
//
// What comes out is arithmetic about cost. It is never advice beyond the
// maker's interval unless the caller says so in writing, never about a safety
// task, and the maker's manual, the site's lock-out procedure and local code
// come first.
package interval
