package engine

import (
	"sync/atomic"

	"github.com/downweb/downweb/services/ops"
)

// counts of the statements served.
type counts struct {
	queries, inserts, insertBytes, errors, refused atomic.Uint64
	running                                        atomic.Int64
}

// begin notes a statement that runs; the function it returns notes its end.
func (c *counts) begin(insert bool, bytes int) func(error) {
	c.running.Add(1)
	return func(err error) {
		c.running.Add(-1)
		if insert {
			c.inserts.Add(1)
			c.insertBytes.Add(uint64(bytes))
		} else {
			c.queries.Add(1)
		}
		if err != nil {
			c.errors.Add(1)
		}
	}
}

// register adds them to m.
func (c *counts) register(m *ops.Metrics) {
	m.Count("downweb_engine_queries_total", "Statements other than INSERTs with data that have ended, failed ones too.", c.queries.Load)
	m.Count("downweb_engine_inserts_total", "INSERTs with data that have ended, failed ones too.", c.inserts.Load)
	m.Count("downweb_engine_insert_bytes_total", "Bytes of data received for INSERTs.", c.insertBytes.Load)
	m.Count("downweb_engine_errors_total", "Statements that failed.", c.errors.Load)
	m.Count("downweb_engine_refused_total", "Requests refused before they ran: a wrong password, too many at once, or not readable.", c.refused.Load)
	m.Gauge("downweb_engine_running_statements", "Statements that run now.", func() float64 { return float64(c.running.Load()) })
}
