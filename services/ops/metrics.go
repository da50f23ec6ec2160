package ops

import (
	"net/http"
	"sync"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// Metrics are what one process counts, given out as Prometheus text.
//
// How a service takes part: its file metrics.go has a method
//
//	func (x *X) RegisterMetrics(m *ops.Metrics)
//
// that adds every metric of x with its help text; the hot path goes on counting in atomics, which are read when
// somebody asks. cmd calls it with the Metrics of the process, whether or not they are listened to. Names are
// downweb_PART_WHAT_UNIT, counters end in _total (and are counters: they never fall), times are seconds, sizes bytes.
// Labels are of few values: a press ("plant/press"), a method, a code; never a job, a seq or a text.
//
// Registering a name again replaces what had it: the second run of a part in one process counts in its place.
type Metrics struct {
	reg *prometheus.Registry

	mu  sync.Mutex
	own map[string]prometheus.Collector
}

// NewMetrics holds those of the Go runtime, the process and the build to begin with.
func NewMetrics() *Metrics {
	m := &Metrics{reg: prometheus.NewRegistry(), own: map[string]prometheus.Collector{}}
	m.reg.MustRegister(collectors.NewGoCollector(), collectors.NewBuildInfoCollector(),
		collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return m
}

// Gatherer reads all metrics.
func (m *Metrics) Gatherer() prometheus.Gatherer { return m.reg }

// Handler answers with all metrics.
func (m *Metrics) Handler() http.Handler {
	return promhttp.HandlerFor(m.reg, promhttp.HandlerOpts{ErrorHandling: promhttp.ContinueOnError})
}

// Count adds a counter that f reads.
func (m *Metrics) Count(name, help string, f func() uint64) {
	m.Add(name, prometheus.NewCounterFunc(prometheus.CounterOpts{Name: name, Help: help}, func() float64 { return float64(f()) }))
}

// Gauge adds a value that f reads and that may fall.
func (m *Metrics) Gauge(name, help string, f func() float64) {
	m.Add(name, prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: name, Help: help}, f))
}

// CountEach adds a counter for each combination of labels that f gives out; f must not give one twice.
func (m *Metrics) CountEach(name, help string, labels []string, f func(give func(value float64, labels ...string))) {
	m.Add(name, &each{prometheus.NewDesc(name, help, labels, nil), prometheus.CounterValue, f})
}

// GaugeEach is CountEach for values that may fall.
func (m *Metrics) GaugeEach(name, help string, labels []string, f func(give func(value float64, labels ...string))) {
	m.Add(name, &each{prometheus.NewDesc(name, help, labels, nil), prometheus.GaugeValue, f})
}

// Add registers a collector, such as a histogram, under the name that it gives out. It panics where the name or a
// label cannot be: that is a mistake in the program.
func (m *Metrics) Add(name string, c prometheus.Collector) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if old := m.own[name]; old != nil {
		m.reg.Unregister(old)
	}
	m.reg.MustRegister(c)
	m.own[name] = c
}

// each is a collector over values that somebody else keeps.
type each struct {
	desc *prometheus.Desc
	kind prometheus.ValueType
	f    func(give func(value float64, labels ...string))
}

func (e *each) Describe(ch chan<- *prometheus.Desc) { ch <- e.desc }

func (e *each) Collect(ch chan<- prometheus.Metric) {
	e.f(func(value float64, labels ...string) {
		m, err := prometheus.NewConstMetric(e.desc, e.kind, value, labels...)
		if err != nil {
			m = prometheus.NewInvalidMetric(e.desc, err)
		}
		ch <- m
	})
}

// Seconds are the bounds of histograms of durations: 1 ms to a minute.
var Seconds = []float64{.001, .0025, .005, .01, .025, .05, .1, .25, .5, 1, 2.5, 5, 10, 30, 60}
