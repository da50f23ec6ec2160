// Package engine holds the npm files that pin the ClickHouse engine library: its version and the
// SHA-512 that npm checks. The lock names no registry, so that any of them may serve it.
package engine

import _ "embed"

// Package is package.json.
//
//go:embed package.json
var Package []byte

// Lock is package-lock.json, made by
// npm install --package-lock-only --omit-lockfile-registry-resolved.
//
//go:embed package-lock.json
var Lock []byte
