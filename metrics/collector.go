package metrics

import (
	"net/http"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// maxScrapes bounds how many scrapes are answered at a time.
const maxScrapes = 4

type collector struct {
	names *descs
	take  func() Snapshot
}

// NewCollector returns a collector that calls take once per scrape. take must
// be safe for concurrent use.
func NewCollector(take func() Snapshot) prometheus.Collector {
	return &collector{names: newDescs(), take: take}
}

// NewRegistry returns a registry with the program's own collector and those of
// the Go runtime and the process.
func NewRegistry(take func() Snapshot) *prometheus.Registry {
	reg := prometheus.NewRegistry()
	reg.MustRegister(
		NewCollector(take),
		collectors.NewGoCollector(),
		collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}),
	)
	return reg
}

// Handler serves reg. At most four scrapes run at a time; more are told 503.
func Handler(reg *prometheus.Registry) http.Handler {
	return promhttp.HandlerFor(reg, promhttp.HandlerOpts{MaxRequestsInFlight: maxScrapes})
}

// Describe implements prometheus.Collector.
func (c *collector) Describe(out chan<- *prometheus.Desc) {
	for _, d := range c.names.all {
		out <- d
	}
}

// Collect implements prometheus.Collector.
func (c *collector) Collect(out chan<- prometheus.Metric) {
	s := c.take()
	e := emitter{out: out}
	c.box(e, &s)
	c.counters(e, &s.Counters)
	c.cards(e, s.Cards)
	c.drives(e, s.Drives)
	c.conditions(e, &s)
}

// emitter sends constant metrics; every label value passes label.
type emitter struct{ out chan<- prometheus.Metric }

func (e emitter) gauge(d *prometheus.Desc, v float64, labels ...string) {
	e.send(d, prometheus.GaugeValue, v, labels)
}

func (e emitter) flag(d *prometheus.Desc, on bool, labels ...string) {
	v := 0.0
	if on {
		v = 1
	}
	e.send(d, prometheus.GaugeValue, v, labels)
}

func (e emitter) count(d *prometheus.Desc, v uint64, labels ...string) {
	e.send(d, prometheus.CounterValue, float64(v), labels)
}

func (e emitter) send(d *prometheus.Desc, t prometheus.ValueType, v float64, labels []string) {
	safe := make([]string, len(labels))
	for i, l := range labels {
		safe[i] = label(l)
	}
	m, err := prometheus.NewConstMetric(d, t, v, safe...)
	if err != nil {
		m = prometheus.NewInvalidMetric(d, err)
	}
	e.out <- m
}

func (c *collector) box(e emitter, s *Snapshot) {
	n := c.names
	e.gauge(n.buildInfo, 1, s.Version)
	for _, p := range Phases {
		e.flag(n.phase, p == s.Phase, p)
	}
	e.gauge(n.copiesNeeded, float64(s.CopiesNeeded))
	e.flag(n.clockTrusted, s.ClockTrusted)
	e.gauge(n.lastStateChange, s.LastStateChange)
	e.count(n.starts, s.Starts.Clean, "clean")
	e.count(n.starts, s.Starts.AfterCrash, "crash")
	e.count(n.starts, s.Starts.AfterPowerCut, "power-cut")
	for _, kind := range Errands {
		e.flag(n.errands, kind == s.Errand, kind)
	}
	if s.Errand != "" {
		e.gauge(n.errandDone, s.ErrandDone)
	}
	e.flag(n.policyLoaded, s.PolicyLoaded)
	e.flag(n.policyError, s.PolicyError)
	if s.PolicyLoaded {
		e.gauge(n.policyLoadedAt, s.PolicyLoadedAt)
	}
	if s.ChargeKnown {
		e.gauge(n.batteryCharge, s.Charge)
	}
	if s.ExternalKnown {
		e.flag(n.externalPower, s.External)
	}
	e.gauge(n.devicesWatched, float64(s.DevicesWatched))
	e.gauge(n.devicesLeftAlone, float64(s.DevicesLeftAlone))
	e.gauge(n.offloadsRunning, float64(s.OffloadsRunning))
	if s.OffloadsRunning > 0 {
		e.gauge(n.offloadsDone, s.OffloadsDone)
	}
	if s.OffloadsLeft > 0 {
		e.gauge(n.offloadsLeft, s.OffloadsLeft)
	}
}

func (c *collector) counters(e emitter, k *Counters) {
	n := c.names
	for _, row := range []struct {
		desc  *prometheus.Desc
		value uint64
	}{
		{n.deviceEvents, k.DeviceEvents}, {n.deviceRescans, k.DeviceRescans}, {n.deviceReconnects, k.DeviceReconnects},
		{n.readBytes, k.ReadBytes}, {n.writtenBytes, k.WrittenBytes}, {n.readBackBytes, k.ReadBackBytes},
		{n.filesProven, k.FilesProven}, {n.copiesProven, k.CopiesProven}, {n.copiesFailed, k.CopiesFailed}, {n.catchUps, k.CatchUps},
		{n.patrols, k.Patrols}, {n.filesHealed, k.FilesHealed},
		{n.releases, k.Releases}, {n.holds, k.Holds},
		{n.mismatches, k.ReadBackMismatches}, {n.readBackErrors, k.ReadBackErrors}, {n.flushFailures, k.FlushFailures},
		{n.lightFailures, k.LightFailures}, {n.ledgerFailures, k.LedgerFailures},
		{n.offloadsStarted, k.OffloadsStarted}, {n.offloadsFinished, k.OffloadsFinished},
		{n.policyReloads, k.PolicyReloads}, {n.policyReloadFails, k.PolicyReloadFails},
	} {
		e.count(row.desc, row.value)
	}
}
