package mqtt

import (
	"encoding/hex"
	"testing"
)

// made by the npm package sparkplug-payload 1.0.3 (Eclipse Tahu, EPL-2.0): one
// metric of each type.
const madeElsewhere = "0880dcbecbec33120b0a0562645365712008580712150a02693810011881dcbecbec33200150fbffffff0f120f0a036931361002200250d4fdffff0f120f0a03693332100320035090ddfbff0f12140a036936341004200458809ce8afedffffffff0112090a027538200550c801120b0a03753136200650ffff03120d0a03753332200758f0ffffff0f12100a037536342008588180808080808010120a0a01662009650000a142120e0a0164200a699a9999999999b9bf12070a0162200b7001120a0a0173200c7a034a2d31120a0a046e6f6e6520033801120b0a036f6c642003280150011800"

func TestPayload(t *testing.T) {
	b, err := hex.DecodeString(madeElsewhere)
	if err != nil {
		t.Fatal(err)
	}
	p, err := parsePayload(b)
	if err != nil || !p.hasSeq || p.seq != 0 || bdSeq(p) != uint64(7) {
		t.Fatalf("%+v %v", p, err)
	}
	got := map[string]metric{}
	for _, m := range p.metrics {
		got[m.name] = m
	}
	for name, want := range map[string]any{
		"i8": int64(-5), "i16": int64(-300), "i32": int64(-70000), "i64": int64(-5_000_000_000), "u8": uint64(200), "u16": uint64(65535),
		"u32": uint64(4294967280), "u64": uint64(9007199254740993), "f": 80.5, "d": -0.1, "b": true, "s": "J-1",
	} {
		if v := signed(got[name].value, got[name].datatype); v != want {
			t.Errorf("%s: %v (%T), want %v", name, v, v, want)
		}
	}
	if m := got["i8"]; m.timestamp != 1781496000001 || m.alias != 1 || !m.hasAlias || !got["none"].null || !got["old"].historical {
		t.Errorf("%+v", got)
	}
	if p, err = parsePayload(rebirthPayload(5)); err != nil || len(p.metrics) != 1 || p.metrics[0].name != "Node Control/Rebirth" || p.metrics[0].value != true {
		t.Errorf("%+v %v", p, err)
	}
}

func FuzzPayload(f *testing.F) {
	b, err := hex.DecodeString(madeElsewhere)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(b)
	f.Fuzz(func(t *testing.T, b []byte) {
		p, err := parsePayload(b)
		if err == nil && len(p.metrics) > maxMetrics {
			t.Fatal(len(p.metrics))
		}
		for _, m := range p.metrics {
			signed(m.value, m.datatype)
		}
	})
}
