package modbus

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// table of a device.
type table uint8

const (
	holding table = iota
	input
	coil
	discrete
)

var tables = map[string]table{"holding": holding, "input": input, "coil": coil, "discrete": discrete}

// kind of value in registers.
type kind uint8

const (
	kindBit kind = iota
	kindUint16
	kindInt16
	kindUint32
	kindInt32
	kindUint64
	kindInt64
	kindFloat32
	kindFloat64
	kindText
)

var kinds = map[string]kind{"uint16": kindUint16, "int16": kindInt16, "uint32": kindUint32, "int32": kindInt32,
	"uint64": kindUint64, "int64": kindInt64, "float32": kindFloat32, "float64": kindFloat64}

// address of one value.
type address struct {
	text  string
	table table
	first uint16
	words uint16 // registers, or 1 bit
	kind  kind
	bit   uint8 // of a register, kindBit in holding and input
	low   bool  // low word first
}

// parseAddress reads TABLE:NUMBER[:TYPE[:low-word-first]]: TABLE is holding,
// input, coil or discrete; NUMBER counts from 0 as on the wire (a manual's
// 40001 is holding:0); TYPE of a register is uint16 (also when left out),
// int16, uint32, int32, uint64, int64, float32, float64, bit0 to bit15, or
// textN, N registers of two characters.
func parseAddress(text string) (address, error) {
	a := address{text: text, words: 1}
	parts := strings.Split(text, ":")
	bad := func(why string) (address, error) {
		return a, fmt.Errorf("address %q: %s (want TABLE:NUMBER[:TYPE[:low-word-first]], e.g. holding:100:uint32)", text, why)
	}
	t, ok := tables[parts[0]]
	if !ok || len(parts) < 2 || len(parts) > 4 {
		return bad("no table of holding, input, coil, discrete with a number")
	}
	a.table = t
	n, err := strconv.ParseUint(parts[1], 10, 16)
	if err != nil {
		return bad("the number is not 0 to 65535")
	}
	a.first = uint16(n)
	if t == coil || t == discrete {
		if len(parts) > 2 {
			return bad("a coil or discrete input has no type")
		}
		return a, nil
	}
	typ := "uint16"
	if len(parts) > 2 {
		typ = parts[2]
	}
	if k, ok := kinds[typ]; ok {
		a.kind = k
		a.words = map[kind]uint16{kindUint32: 2, kindInt32: 2, kindFloat32: 2, kindUint64: 4, kindInt64: 4, kindFloat64: 4}[k]
		a.words = max(a.words, 1)
	} else if b, ok := strings.CutPrefix(typ, "bit"); ok {
		n, err := strconv.ParseUint(b, 10, 8)
		if err != nil || n > 15 {
			return bad("a register has bit0 to bit15")
		}
		a.kind, a.bit = kindBit, uint8(n)
	} else if l, ok := strings.CutPrefix(typ, "text"); ok {
		n, err := strconv.ParseUint(l, 10, 16)
		if err != nil || n < 1 || n > 32 {
			return bad("a text has 1 to 32 registers")
		}
		a.kind, a.words = kindText, uint16(n)
	} else {
		return bad("unknown type " + typ)
	}
	if len(parts) == 4 {
		if parts[3] != "low-word-first" || a.words < 2 || a.kind == kindText {
			return bad("only low-word-first may follow the type of a value of several registers")
		}
		a.low = true
	}
	if int(a.first)+int(a.words) > 1<<16 {
		return bad("it goes past 65535")
	}
	return a, nil
}

// value of the registers of an address, high word first unless a.low.
func (a *address) value(regs []uint16) any {
	var u uint64
	for i := range regs {
		w := regs[i]
		if a.low {
			w = regs[len(regs)-1-i]
		}
		if len(regs) <= 4 {
			u = u<<16 | uint64(w)
		}
	}
	switch a.kind {
	case kindBit:
		return u>>a.bit&1 == 1
	case kindInt16:
		return int64(int16(u))
	case kindInt32:
		return int64(int32(u))
	case kindInt64:
		return int64(u)
	case kindFloat32:
		return float64(math.Float32frombits(uint32(u)))
	case kindFloat64:
		return math.Float64frombits(u)
	case kindText:
		b := make([]byte, 0, 2*len(regs))
		for _, r := range regs {
			b = append(b, byte(r>>8), byte(r))
		}
		s, _, _ := strings.Cut(string(b), "\x00")
		return strings.ToValidUTF8(strings.TrimSpace(s), "")
	}
	return u
}
