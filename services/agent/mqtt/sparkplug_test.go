package mqtt

import (
	"fmt"
	"math"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"google.golang.org/protobuf/encoding/protowire"

	"github.com/downweb/downweb/services/agent/machine"
)

// edge is an edge node of a test.
type edge struct {
	t       *testing.T
	c       paho.Client
	seq     uint64
	bd      uint64
	rebirth atomic.Int64
}

type tm struct { // a metric to tell
	name  string
	alias uint64
	typ   uint64
	v     any
}

func encode(seq int64, ms ...tm) []byte {
	var p []byte
	for _, m := range ms {
		var b []byte
		if m.name != "" {
			b = protowire.AppendString(protowire.AppendTag(b, 1, protowire.BytesType), m.name)
		}
		num := func(n protowire.Number, v uint64) {
			b = protowire.AppendVarint(protowire.AppendTag(b, n, protowire.VarintType), v)
		}
		if m.alias > 0 {
			num(2, m.alias)
		}
		if m.typ > 0 {
			num(4, m.typ)
		}
		switch v := m.v.(type) {
		case nil:
			num(7, 1)
		case bool:
			num(14, protowire.EncodeBool(v))
		case float64:
			b = protowire.AppendFixed64(protowire.AppendTag(b, 13, protowire.Fixed64Type), math.Float64bits(v))
		case int:
			num(11, uint64(v))
		case string:
			b = protowire.AppendString(protowire.AppendTag(b, 15, protowire.BytesType), v)
		}
		p = protowire.AppendBytes(protowire.AppendTag(p, 2, protowire.BytesType), b)
	}
	if seq >= 0 {
		p = protowire.AppendVarint(protowire.AppendTag(p, 3, protowire.VarintType), uint64(seq))
	}
	return p
}

func newEdge(t *testing.T, port int, bd uint64) *edge {
	e := &edge{t: t, bd: bd}
	e.c = publisher(t, port, func(o *paho.ClientOptions) {
		o.SetBinaryWill("spBv1.0/plant/NDEATH/n1", encode(-1, tm{"bdSeq", 0, 8, int(bd)}), 1, false)
	})
	tok := e.c.Subscribe("spBv1.0/plant/NCMD/n1", 1, func(_ paho.Client, m paho.Message) {
		if p, err := parsePayload(m.Payload()); err == nil && len(p.metrics) == 1 && p.metrics[0].name == "Node Control/Rebirth" {
			e.rebirth.Add(1)
		}
	})
	if !tok.WaitTimeout(20*time.Second) || tok.Error() != nil {
		t.Fatal(tok.Error())
	}
	return e
}

func (e *edge) tell(kind, device string, ms ...tm) {
	e.t.Helper()
	topic := "spBv1.0/plant/" + kind + "/n1"
	if device != "" {
		topic += "/" + device
	}
	publish(e.t, e.c, topic, false, encode(int64(e.seq), ms...))
	e.seq = (e.seq + 1) % 256
}

func (e *edge) birth(good int) {
	e.seq = 0
	e.tell("NBIRTH", "", tm{"bdSeq", 0, 8, int(e.bd)}, tm{"Power", 1, 11, true})
	e.tell("DBIRTH", "other", tm{"x", 1, 3, 5})
	e.tell("DBIRTH", "p1", tm{"Speed", 10, 10, 80.5}, tm{"Good", 11, 7, good}, tm{"On", 12, 11, true}, tm{"Job", 13, 12, "J-1"})
}

func sparkplugMapping(t *testing.T, section string) *machine.Mapping {
	t.Helper()
	m, err := machine.ParseMapping(fmt.Appendf(nil, `
press: linden/p1
running_m_per_min: 5
sparkplug: {%s}
signals:
  speed: {at: Speed, mm_per_min: 1000}
  good: {at: Good, mm: 10, bits: 32}
  power: {at: "node:Power"}
  good_on: {at: "On"}
  job: {at: Job}
`, section))
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// TestSparkplug against a real broker: births, data by alias, a hole in the
// sequence, deaths of device and node (by its last will), and joining late.
func TestSparkplug(t *testing.T) {
	port := freePort(t)
	mosquitto(t, port, "")
	m := sparkplugMapping(t, fmt.Sprintf(`broker: "mqtt://127.0.0.1:%d", group: plant, node: n1, device: p1`, port))
	a, err := NewSparkplug(m)
	if err != nil {
		t.Fatal(err)
	}
	e := newEdge(t, port, 3)
	e.birth(100) // before anybody listens: births are not retained
	s, ctx := start(t, m, a)
	waitFor(t, ctx, "the request of one who joined late", func() bool {
		e.tell("NDATA", "", tm{"", 1, 0, true})
		return e.rebirth.Load() == 1
	})
	if _, n := s.last(); n > 0 {
		t.Fatal("a sample without a birth")
	}
	good := func(want uint64) func() bool {
		return func() bool { got, _ := s.last(); return got.Good == want }
	}
	e.birth(200)
	waitFor(t, ctx, "the birth's values", good(200))
	if got, _ := s.last(); got.Speed != 80_500 || !got.Power || !got.GoodOn || got.Job != "J-1" {
		t.Fatalf("%+v", got)
	}
	e.tell("DDATA", "other", tm{"", 1, 0, 6}) // counts in the sequence
	e.tell("DDATA", "p1", tm{"", 11, 0, 201})
	waitFor(t, ctx, "data by alias", good(201))
	for i := range 300 { // the sequence rolls over after 255
		e.tell("DDATA", "p1", tm{"", 11, 0, 202 + i})
	}
	waitFor(t, ctx, "data past the roll of the sequence", good(501))
	if l := s.losses(); len(l) > 0 {
		t.Fatal(l)
	}
	e.seq++ // one message never came
	e.tell("DDATA", "p1", tm{"", 11, 0, 600})
	waitFor(t, ctx, "the hole", func() bool { return len(s.losses()) == 1 })
	if !strings.Contains(s.losses()[0].Error(), "was to come") || good(600)() {
		t.Fatal(s.losses())
	}
	waitFor(t, ctx, "a request for a rebirth", func() bool { // at most one in five seconds
		e.tell("DDATA", "p1", tm{"", 11, 0, 600})
		time.Sleep(100 * time.Millisecond)
		return e.rebirth.Load() == 2
	})
	e.birth(700)
	waitFor(t, ctx, "the rebirth", good(700))
	e.tell("DDEATH", "p1")
	waitFor(t, ctx, "the device's death", func() bool { return len(s.losses()) == 2 })
	e.tell("DBIRTH", "p1", tm{"Speed", 10, 10, 0.0}, tm{"Good", 11, 7, 701}, tm{"On", 12, 11, true}, tm{"Job", 13, 12, ""})
	e.tell("NDATA", "", tm{"", 1, 0, true})
	waitFor(t, ctx, "the device is back", good(701))
	// The will of an older session is not this one's death.
	publish(t, e.c, "spBv1.0/plant/NDEATH/n1", false, encode(-1, tm{"bdSeq", 0, 8, 2}))
	e.tell("DDATA", "p1", tm{"", 11, 0, 702})
	waitFor(t, ctx, "data after a stranger's will", good(702))
	e.tell("DDATA", "p1", tm{"", 11, 0, nil})
	publish(t, e.c, "spBv1.0/plant/NDEATH/n1", false, encode(-1, tm{"bdSeq", 0, 8, 3}))
	waitFor(t, ctx, "the node's death", func() bool { return len(s.losses()) == 3 })
	if !strings.Contains(s.losses()[2].Error(), "the node has died") {
		t.Fatal(s.losses())
	}
}

func TestSparkplugRefuses(t *testing.T) {
	for section, want := range map[string]string{
		`broker: "mqtt://127.0.0.1:1", node: n`:               "group",
		`broker: "mqtt://127.0.0.1:1", group: "a/b", node: n`: "group",
		`broker: "mqtt://127.0.0.1:1", group: g, node: "#"`:   "node",
		`broker: "mqtt://127.0.0.1:1", group: g, node: n`:     "same metric",
	} {
		m := sparkplugMapping(t, section)
		m.Signals.Speed.At = "node:Good"
		if _, err := NewSparkplug(m); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", section, err)
		}
	}
}
