package eventlog

import (
	"testing"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// FuzzDecodeMark: no reply panics, and none without a right seal is believed.
func FuzzDecodeMark(f *testing.F) {
	b, _ := seal(markMagic, &pb.MarkReply{Epoch: 1, Mark: 2, WarehouseId: 3})
	f.Add(b, false)
	f.Add(b[:5], true)
	f.Fuzz(func(t *testing.T, b []byte, repair bool) {
		if repair && len(b) >= 8 {
			b = append([]byte(markMagic), b[4:]...)
			putCRC(b)
		}
		r, err := decodeMark(b)
		if err != nil {
			return
		}
		again, err := seal(markMagic, r)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := decodeMark(again); err != nil {
			t.Fatal(err)
		}
	})
}

// FuzzDecodeRevision: no bytes panic or exhaust memory.
func FuzzDecodeRevision(f *testing.F) {
	b, _ := encodeRevision(&pb.RegistryRevision{Rev: 1, Plant: &pb.Plant{Plant: "rhein"}})
	f.Add(b)
	f.Fuzz(func(_ *testing.T, b []byte) { _, _ = decodeRevision(b) })
}
