package projector

import (
	"encoding/binary"
	"errors"

	"github.com/downweb/downweb/analytics/duty"
	"github.com/downweb/downweb/analytics/loss"
)

// State is what a fold carries from one production day to the next. Its zero
// value is that before a press's first day.
type State struct {
	Duty    duty.State
	Restart loss.RestartState
}

var errState = errors.New("not a state of a fold")

// Append writes the state: the length of the duties' part, then both parts.
func (s State) Append(b []byte) []byte {
	d := s.Duty.Append(nil)
	b = binary.AppendUvarint(b, uint64(len(d)))
	return s.Restart.Append(append(b, d...))
}

// ParseState reads what Append wrote. Empty bytes are the zero State.
func ParseState(b []byte) (s State, err error) {
	if len(b) == 0 {
		return s, nil
	}
	n, k := binary.Uvarint(b)
	if k <= 0 || n > uint64(len(b)-k) {
		return s, errState
	}
	b = b[k:]
	if s.Duty, err = duty.ParseState(b[:n]); err != nil {
		return State{}, err
	}
	if s.Restart, err = loss.ParseRestartState(b[n:]); err != nil {
		return State{}, err
	}
	return s, nil
}
