package fleet

import (
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"net/http/httptest"
	"os"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"

	"bothy/testdata/judges"
)

// hurried has the alerts wait for a second where they wait for minutes, and compare
// with 15 seconds where it is with hours: a machine with much to do must not make a
// box look silent. Their expressions are left as they ship.
func hurried(t *testing.T, p *prometheus) {
	t.Helper()
	p.put("bothy.rules.yml", "bothy.rules.yml",
		"of: hold_seconds }, expr: vector(1800)", "of: hold_seconds }, expr: vector(15)",
		"of: silence_seconds }, expr: vector(3600)", "of: silence_seconds }, expr: vector(15)")
	data, err := os.ReadFile(p.dir + "/bothy.rules.yml")
	if err != nil {
		t.Fatal(err)
	}
	p.write("bothy.rules.yml", regexp.MustCompile(`(?m)^( +for:) .*$`).ReplaceAllString(string(data), "$1 1s"))
}

// firing are the alerts that fire, as "alert box".
func firing(list []series) []string {
	set := map[string]bool{}
	for _, s := range list {
		set[s.Metric["alertname"]+" "+s.Metric["box"]] = true
	}
	return slices.Sorted(maps.Keys(set))
}

// manager stands for Alertmanager: it keeps what it was told.
type manager struct {
	mu   sync.Mutex
	told map[string]string // guarded by mu; summaries by "alert box"
	odd  []string          // guarded by mu; texts that did not come out
}

func (m *manager) ServeHTTP(_ http.ResponseWriter, r *http.Request) {
	var list []struct{ Labels, Annotations map[string]string }
	err := json.NewDecoder(r.Body).Decode(&list)
	m.mu.Lock()
	defer m.mu.Unlock()
	if err != nil {
		m.odd = append(m.odd, err.Error())
	}
	for _, a := range list {
		m.told[a.Labels["alertname"]+" "+a.Labels["box"]] = a.Annotations["summary"]
		for _, text := range a.Annotations {
			if text == "" || strings.Contains(text, "<no value>") || strings.Contains(text, "<error") || strings.Contains(text, "{{") {
				m.odd = append(m.odd, text)
			}
		}
	}
}

// Three boxes with different fates, and the real server over them with the shipped
// rules: each alert comes for the box that has cause, and for no other; the
// dashboards show data; a box that was killed and comes back is told to have been.
func TestFleet_threeFates(t *testing.T) {
	t.Parallel()
	judges.Need(t, "prometheus")
	released, held, silent := newBox(t, "skerry-1", 2), newBox(t, "skerry-2", 1), newBox(t, "skerry-3", 2)
	told := &manager{told: map[string]string{}}
	alerts := httptest.NewServer(told)
	t.Cleanup(alerts.Close)

	p := newPrometheus(t)
	p.targets(released, held, silent)
	hurried(t, p)
	p.put("prometheus.yml", "scrape.yml", "interval: 60s", "interval: 1s", "timeout: 30s", "timeout: 1s",
		"127.0.0.1:9093", strings.TrimPrefix(alerts.URL, "http://"))
	p.start("")

	p.reaches(`sum(bothy_copies_proven_total{box="skerry-1"})`, 2)
	p.reaches(`sum(bothy_copies_proven_total{box="skerry-3"})`, 2)
	p.reaches(`count(bothy:word:timestamp_seconds)`, 3)
	p.reaches(`count_over_time(bothy_build_info{box="skerry-1"}[1h])`, 3) // a rate needs two
	silent.kill()

	want := []string{"BothyBoxSilent skerry-3", "BothyCardOnHold skerry-2"}
	now := func(want []string) {
		t.Helper()
		until(t, fmt.Sprint(want), func() error {
			list, err := p.ask(`ALERTS{alertstate="firing"}`)
			if err == nil && !slices.Equal(firing(list), want) {
				err = fmt.Errorf("firing: %q", firing(list))
			}
			return err
		})
	}
	now(want)
	t.Run("dashboards", func(t *testing.T) { tryDashboards(t, p) })

	// It comes back, and is heard again; that it had been killed is told.
	silent.start()
	now([]string{"BothyCardOnHold skerry-2", "BothyCrashes skerry-3"})

	// And at no time did any other alert fire.
	list, err := p.ask(`max by (alertname, box) (max_over_time(ALERTS{alertstate="firing"}[1h]))`)
	if err != nil {
		t.Fatal(err)
	}
	want = []string{"BothyBoxSilent skerry-3", "BothyCardOnHold skerry-2", "BothyCrashes skerry-3"}
	if diff := cmp.Diff(want, firing(list)); diff != "" {
		t.Errorf("alerts that fired (-want +got):\n%s", diff)
	}
	until(t, "Alertmanager is told", func() error {
		told.mu.Lock()
		defer told.mu.Unlock()
		if got := slices.Sorted(maps.Keys(told.told)); !slices.Equal(got, want) {
			return fmt.Errorf("told: %q", got)
		}
		return nil
	})
	told.mu.Lock()
	defer told.mu.Unlock()
	if len(told.odd) > 0 {
		t.Errorf("texts that did not come out: %q", told.odd)
	}
	if got := told.told["BothyCardOnHold skerry-2"]; !strings.HasPrefix(got, "skerry-2: a card has been on hold for ") {
		t.Errorf("told: %q", got)
	}
}

// dashboard is what matters here of Grafana's own format.
type dashboard struct {
	Title      string
	Templating struct{ List []struct{ Name string } }
	Panels     []struct {
		Title   string
		Targets []struct{ Expr string }
	}
}

// tryDashboards asks every query of every panel of a server that watches real
// boxes.
func tryDashboards(t *testing.T, p *prometheus) {
	files, err := os.ReadDir(shipped + "grafana")
	if err != nil {
		t.Fatal(err)
	}
	asked := 0
	for _, f := range files {
		data, err := os.ReadFile(shipped + "grafana/" + f.Name())
		if err != nil {
			t.Fatal(err)
		}
		var d dashboard
		if err := json.Unmarshal(data, &d); err != nil {
			t.Errorf("%s: %v", f.Name(), err)
			continue
		}
		for _, panel := range d.Panels {
			if len(panel.Targets) == 0 {
				t.Errorf("%s: %s asks nothing", f.Name(), panel.Title)
			}
			for _, target := range panel.Targets {
				asked++
				// What Grafana itself puts in place of these.
				query := strings.NewReplacer("$box", "skerry-1", "$__rate_interval", "4m").Replace(target.Expr)
				if strings.Contains(query, "$") {
					t.Errorf("%s: %s: an unknown variable in %s", f.Name(), panel.Title, query)
				}
				// A panel that shows how things stand may ask while a scrape is
				// late; none is empty for good.
				until(t, fmt.Sprintf("%s: %s: data", f.Name(), panel.Title), func() error {
					list, err := p.ask(query)
					if err == nil && len(list) == 0 {
						err = fmt.Errorf("ask %q: nothing", query)
					}
					return err
				})
			}
		}
	}
	if asked < 30 {
		t.Errorf("%d queries were asked", asked)
	}
}
