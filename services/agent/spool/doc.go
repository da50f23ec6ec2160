// Package spool is an agent's queue on disk: one bbolt file that holds every
// accepted event until the warehouse has confirmed it.
//
// It promises: when Commit returns nil, the batch's events, source positions,
// source keys and covered intervals are all on disk, together; when it fails
// or the process dies, none is. Events of a press are numbered from 1 without
// a hole inside the epoch made with the file. Nothing is deleted but by Trim.
// A full spool refuses and never overwrites. A block whose checksum is wrong
// is set aside whole and reported, not guessed at.
//
// The file belongs to one process at a time. A Spool has no goroutines; its
// methods may be called by several.
package spool
