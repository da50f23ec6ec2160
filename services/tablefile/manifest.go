package tablefile

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
)

// Manifest says what a file holds and how to get it again. It has no clock and no path in it: the same question of the
// same data gives the same manifest.
type Manifest struct {
	Name       string            `json:"name"`                 // of the table
	Format     Format            `json:"format"`               // of the file
	Query      string            `json:"query"`                // the question: a command line, a method's name, a statement
	Parameters map[string]string `json:"parameters,omitempty"` // what it was asked with
	Period     *Period           `json:"period,omitempty"`
	AsOf       *AsOf             `json:"as_of,omitempty"`
	Schema     int               `json:"schema_version"`          // of the tables; 0: no table was read
	Rules      int               `json:"rules_version,omitempty"` // of the accounting
	Seed       *uint64           `json:"seed,omitempty"`          // where chance was used
	Version    string            `json:"program_version"`
	Rows       int               `json:"rows"`
	SHA256     string            `json:"sha256"` // of the file, hex
	Columns    []ManifestColumn  `json:"columns"`
	Notes      []string          `json:"notes,omitempty"` // cautions and what was left out
}

// Period is a resolved range of production days, both included, in the zones of the plants.
type Period struct {
	FirstDay string   `json:"first_day"`
	LastDay  string   `json:"last_day"`
	Zones    []string `json:"zones,omitempty"`
}

// AsOf pins what the rows were computed from.
type AsOf struct {
	Pos         uint64 `json:"pos"`               // highest insert number of the log
	RegistryRev uint64 `json:"registry_rev"`      // latest registry revision
	Through     string `json:"through,omitempty"` // data up to here, RFC 3339 UTC
}

// ManifestColumn is one column.
type ManifestColumn struct {
	Name string `json:"name"`
	Kind string `json:"kind"`
	Unit string `json:"unit,omitempty"`
	Doc  string `json:"doc,omitempty"`
}

// Make writes the table into memory and completes the manifest: name, format, rows, columns and hash are set from what
// was written.
func Make(f Format, t *Table, m Manifest) (file []byte, done Manifest, err error) {
	var b bytes.Buffer
	if err := Write(&b, f, t); err != nil {
		return nil, m, err
	}
	m.Name, m.Format, m.Rows, m.SHA256 = t.Name, f, t.Rows(), Sum(b.Bytes())
	m.Columns = nil
	for i := range t.Columns {
		c := &t.Columns[i]
		m.Columns = append(m.Columns, ManifestColumn{Name: c.Name, Kind: c.Kind.String(), Unit: c.Unit, Doc: c.Doc})
	}
	return b.Bytes(), m, nil
}

// Sum is the SHA-256 of a file, hex.
func Sum(file []byte) string {
	h := sha256.Sum256(file)
	return hex.EncodeToString(h[:])
}

// JSON is the manifest as a file: indented, keys in a fixed order, one line end.
func (m *Manifest) JSON() ([]byte, error) {
	text, err := json.MarshalIndent(m, "", "  ")
	if err != nil {
		return nil, fmt.Errorf("write manifest: %w", err)
	}
	return append(text, '\n'), nil
}

// ParseManifest reads a manifest file.
func ParseManifest(text []byte) (*Manifest, error) {
	m := &Manifest{}
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	if err := d.Decode(m); err != nil {
		return nil, fmt.Errorf("read manifest: %w", err)
	}
	return m, nil
}
