//go:build !linux

package spool

import bolt "go.etcd.io/bbolt"

// release is for Linux alone; elsewhere the system takes pages back when it
// needs them.
func release(*bolt.Tx) {}
