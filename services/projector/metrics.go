package projector

import (
	"sync/atomic"

	"github.com/downweb/downweb/services/ops"
)

// RegisterMetrics adds what this projector counts.
func (p *Projector) RegisterMetrics(m *ops.Metrics) {
	for _, v := range []struct {
		name, help string
		n          *atomic.Int64
	}{
		{"folds", "Presses folded; one that is dirty again counts again.", &p.presses},
		{"dates", "Press-days folded.", &p.days},
		{"rows", "Rows of projections written, those that vanished too.", &p.written},
		{"errors", "Looks for dirty presses that failed, wholly or for some press.", &p.failed},
	} {
		m.Count("downweb_projector_"+v.name+"_total", v.help, func() uint64 { return uint64(v.n.Load()) })
	}
}
