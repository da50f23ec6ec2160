package ingest

import (
	"encoding/binary"
	"hash/crc32"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/eventlog"
)

// forged is a frame with a right checksum around anything, as only a faulty or hostile program makes it: magic, version,
// CRC-32C of the rest, header behind its length, records.
func forged(h *pb.FrameHeader, records []byte) []byte {
	hb, err := proto.Marshal(h)
	if err != nil {
		panic(err)
	}
	b := append([]byte("DWF"), eventlog.FrameVersion, 0, 0, 0, 0)
	b = protowire.AppendVarint(b, uint64(len(hb)))
	b = append(append(b, hb...), records...)
	return sealFrame(b)
}

func sealFrame(b []byte) []byte {
	binary.LittleEndian.PutUint32(b[4:], crc32.Checksum(b[8:], crc32.MakeTable(crc32.Castagnoli)))
	return b
}

// record is an event with all it carries, behind its length.
func record(e *pb.Event) []byte {
	b, err := proto.Marshal(e)
	if err != nil {
		panic(err)
	}
	return append(protowire.AppendVarint(nil, uint64(len(b))), b...)
}
