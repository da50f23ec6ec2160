package logserver

import "github.com/downweb/downweb/services/ops"

// RegisterMetrics adds the health of this server.
func (s *Server) RegisterMetrics(m *ops.Metrics) {
	m.Gauge("downweb_nats_healthy", "1 while the server's own health check passes.", func() float64 {
		srv := s.running.Load()
		if srv == nil || s.health(srv) != nil {
			return 0
		}
		return 1
	})
	m.Gauge("downweb_nats_clients", "Connected clients.", func() float64 {
		if srv := s.running.Load(); srv != nil {
			return float64(srv.NumClients())
		}
		return 0
	})
	m.Count("downweb_nats_slow_clients_total", "Clients disconnected because they did not read.", func() uint64 {
		if srv := s.running.Load(); srv != nil {
			return uint64(max(0, srv.NumSlowConsumers()))
		}
		return 0
	})
	store := func(of func(used, limit uint64) uint64) func() float64 {
		return func() float64 {
			srv := s.running.Load()
			if srv == nil {
				return 0
			}
			j, err := srv.Jsz(nil)
			if err != nil {
				return 0
			}
			return float64(of(j.Store, uint64(max(0, j.Config.MaxStore))))
		}
	}
	m.Gauge("downweb_nats_store_bytes", "Bytes of all streams on this server's disk.", store(func(used, _ uint64) uint64 { return used }))
	m.Gauge("downweb_nats_store_limit_bytes", "Most bytes that streams may take on this server's disk.", store(func(_, limit uint64) uint64 { return limit }))
	m.Count("downweb_nats_enrolments_refused_total", "Devices that wanted to enrol and were refused: a token used, expired or withdrawn.", s.enrolRefused.Load)
	m.Count("downweb_nats_key_reloads_total", "Times that users were loaded again because the list of press keys changed.", s.reloads.Load)
}
