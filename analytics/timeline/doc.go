// Package timeline is the vocabulary that every pure package shares: instants,
// intervals, production days, calendars, events, and the rules that make the
// same events give the same history in any order of arrival.
//
// Units, everywhere: instants are unix milliseconds in UTC, durations are
// milliseconds, lengths millimeters, speeds millimeters per minute. Intervals
// are half-open [From, To). Nothing here reads a clock, does I/O or depends on
// the order in which events arrived.
package timeline
