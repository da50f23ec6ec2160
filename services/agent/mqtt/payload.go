package mqtt

import (
	"errors"
	"fmt"
	"math"

	"google.golang.org/protobuf/encoding/protowire"
)

// payload of a Sparkplug B message, the parts that are read here. Field
// numbers and data types are those of the Eclipse Sparkplug specification 3.0
// (Google Protocol Buffers schema), from memory; a payload made by another
// implementation is in testdata.
type payload struct {
	seq     uint64
	hasSeq  bool
	metrics []metric
}

type metric struct {
	name       string
	alias      uint64
	hasAlias   bool
	timestamp  uint64 // unix ms; 0: none
	datatype   uint64
	historical bool
	null       bool
	value      any // bool, int64, uint64, float64, string; nil: none that is read here
}

// Data types whose int_value or long_value is signed.
const (
	typeInt8    = 1
	typeInt16   = 2
	typeInt32   = 3
	typeInt64   = 4
	typeBoolean = 11
)

// maxMetrics of a payload.
const maxMetrics = 10_000

var errPayload = errors.New("no Sparkplug B payload")

// fields calls f for each field of a message; f returns how many bytes of its
// value it read, or below 0.
func fields(b []byte, f func(n protowire.Number, t protowire.Type, b []byte) int) error {
	for len(b) > 0 {
		n, t, l := protowire.ConsumeTag(b)
		if l < 0 {
			return errPayload
		}
		b = b[l:]
		if l = f(n, t, b); l < 0 {
			return errPayload
		}
		b = b[l:]
	}
	return nil
}

func parsePayload(b []byte) (payload, error) {
	var p payload
	var inner error
	err := fields(b, func(n protowire.Number, t protowire.Type, b []byte) int {
		switch {
		case n == 2 && t == protowire.BytesType:
			v, l := protowire.ConsumeBytes(b)
			if l < 0 {
				return l
			}
			m, err := parseMetric(v)
			if err == nil && len(p.metrics) >= maxMetrics {
				err = fmt.Errorf("over %d metrics", maxMetrics)
			}
			if err != nil {
				inner = err
				return -1
			}
			p.metrics = append(p.metrics, m)
			return l
		case n == 3 && t == protowire.VarintType:
			v, l := protowire.ConsumeVarint(b)
			p.seq, p.hasSeq = v, true
			return l
		}
		return protowire.ConsumeFieldValue(n, t, b)
	})
	return p, errors.Join(inner, err)
}

func parseMetric(b []byte) (metric, error) {
	var m metric
	var number uint64
	hasNumber := false
	err := fields(b, func(n protowire.Number, t protowire.Type, b []byte) int {
		switch {
		case t == protowire.VarintType:
			v, l := protowire.ConsumeVarint(b)
			switch n {
			case 2:
				m.alias, m.hasAlias = v, true
			case 3:
				m.timestamp = v
			case 4:
				m.datatype = v
			case 5:
				m.historical = v != 0
			case 7:
				m.null = v != 0
			case 10, 11:
				number, hasNumber = v, true
			case 14:
				m.value = v != 0
			}
			return l
		case n == 1 && t == protowire.BytesType:
			v, l := protowire.ConsumeBytes(b)
			m.name = string(v)
			return l
		case n == 12 && t == protowire.Fixed32Type:
			v, l := protowire.ConsumeFixed32(b)
			m.value = float64(math.Float32frombits(v))
			return l
		case n == 13 && t == protowire.Fixed64Type:
			v, l := protowire.ConsumeFixed64(b)
			m.value = math.Float64frombits(v)
			return l
		case n == 15 && t == protowire.BytesType:
			v, l := protowire.ConsumeBytes(b)
			m.value = string(v)
			return l
		}
		return protowire.ConsumeFieldValue(n, t, b)
	})
	if hasNumber {
		m.value = number // the data type may come from the birth: see signed
	}
	return m, err
}

// signed reads a number as its data type says: int_value and long_value are
// unsigned on the wire.
func signed(v any, datatype uint64) any {
	u, ok := v.(uint64)
	if !ok {
		return v
	}
	switch datatype {
	case typeInt8:
		return int64(int8(u))
	case typeInt16:
		return int64(int16(u))
	case typeInt32:
		return int64(int32(u))
	case typeInt64:
		return int64(u)
	case typeBoolean:
		return u != 0
	}
	return u
}

// rebirthPayload asks an edge node for its births.
func rebirthPayload(nowMs uint64) []byte {
	var m []byte
	m = protowire.AppendTag(m, 1, protowire.BytesType)
	m = protowire.AppendString(m, "Node Control/Rebirth")
	m = protowire.AppendTag(m, 3, protowire.VarintType)
	m = protowire.AppendVarint(m, nowMs)
	m = protowire.AppendTag(m, 4, protowire.VarintType)
	m = protowire.AppendVarint(m, typeBoolean)
	m = protowire.AppendTag(m, 14, protowire.VarintType)
	m = protowire.AppendVarint(m, 1)
	var p []byte
	p = protowire.AppendTag(p, 1, protowire.VarintType)
	p = protowire.AppendVarint(p, nowMs)
	p = protowire.AppendTag(p, 2, protowire.BytesType)
	return protowire.AppendBytes(p, m)
}
