// Package loss books every millisecond of planned busy time, every millimeter
// of waste and every coin to exactly one leaf of the loss tree.
//
// The promise, held as a property on random fleets: planned busy time =
// valuable operating time + the sum of all loss leaves, exactly, in integers.
// Terms are those of ISO 22400-2 (availability, effectiveness, quality ratio,
// OEE index); the leaves are ours.
//
// The package is pure: a press, its settled history, one production day and
// the cleaning groups go in; facts and a press-day come out.
package loss
