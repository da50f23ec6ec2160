// Package naive books a press's time, meters and money a second time, slowly
// and in the plainest way, so that tests can hold the real path against it.
//
// It walks one press's raw events instant by instant: between two neighbouring
// instants at which anything begins or ends nothing changes, so each such
// stretch has one leaf (EveryMillisecond really takes each millisecond). What a
// stretch held of a slice is kept as a fraction of the slice; nothing is rounded
// before the end. Lists are searched from end to end. It imports the standard
// library and the generated events alone, and shares no rule with the product.
//
// It models: voids, keys told twice, overlapping slices by rank of epoch; shift
// calendars with cycles, breaks, closures, extra shifts and changes; the ladder
// of leaves; sessions, groups and allowances with start-up, shut-down, run-km,
// run-hour and job-change tasks; notes; waste, bookings, downstream waste; rates;
// coverage.
//
// Where the accounting's rules are silent it follows what the product's package
// comments choose: a date without a shift is a production day that begins where
// its pattern's earliest shift would; outside the plan a press that is off or
// silent loses nothing; a group of overlapping sessions has the occasion of the
// one opened first; session time in a break without a sign-off is apart for every
// occasion; a run clock's duty opens at four fifths of its interval; a day
// without a run grants but uses no sign-off up; voids and corrections do not move
// the frontier; a trial's good length costs nothing.
//
// It does not model: tasks due by days or weeks, also_discharges, bookings of a
// second or third web or of lanes, counter totals over gaps, station visits,
// minor stops, and how bookings share the count where their stretches only
// partly overlap (Result says so). Where pieces of a slice are not whole
// millimeters it tells how far the real path may round (Slack).
package naive
