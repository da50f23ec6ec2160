package modbus

import (
	"cmp"
	"slices"
)

// block is one request: neighboring values of one table.
type block struct {
	table  table
	first  uint16
	words  uint16
	values []address
}

// Bounds of the Modbus application protocol (V1.1b3, sections 6.1 to 6.4):
// 125 registers or 2,000 bits a request. Bits are asked for in fewer.
const (
	maxRegisters = 125
	maxBits      = 1000
)

// spare registers are read along rather than asked for apart: a request costs
// far more than they do.
const (
	spareRegisters = 8
	spareBits      = 64
)

// plan of the fewest requests that read all addresses, no value split.
func plan(addresses []address) []block {
	list := slices.Clone(addresses)
	slices.SortFunc(list, func(a, b address) int {
		return cmp.Or(cmp.Compare(a.table, b.table), cmp.Compare(a.first, b.first), cmp.Compare(a.words, b.words), cmp.Compare(a.text, b.text))
	})
	var out []block
	for _, a := range list {
		most, spare := maxRegisters, spareRegisters
		if a.table == coil || a.table == discrete {
			most, spare = maxBits, spareBits
		}
		end := int(a.first) + int(a.words)
		if n := len(out); n > 0 && out[n-1].table == a.table {
			b := &out[n-1]
			last := int(b.first) + int(b.words)
			if int(a.first) <= last+spare && max(end, last)-int(b.first) <= most {
				b.words = uint16(max(end, last) - int(b.first))
				b.values = append(b.values, a)
				continue
			}
		}
		out = append(out, block{table: a.table, first: a.first, words: a.words, values: []address{a}})
	}
	return out
}
