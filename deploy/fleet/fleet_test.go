// Package fleet holds what an operator on the shore needs to watch several boxes with
// Prometheus, Alertmanager and Grafana, and in its tests what their own programs
// say of each file. What the files do together, with real boxes, is tried in
// testdata/fleet.
package fleet

import (
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"bothy/testdata/judges"
)

// ask runs an independent program, which must find nothing wrong.
func ask(t *testing.T, program string, args ...string) string {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), judges.Need(t, program), args...)
	var said bytes.Buffer
	cmd.Stderr = &said
	out, err := cmd.Output()
	if err != nil {
		t.Errorf("%s %s: %v\n%s%s", program, strings.Join(args, " "), err, out, &said)
	}
	return string(out)
}

func read(t *testing.T, name string) string {
	t.Helper()
	data, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

// found are the first groups of all that a pattern finds, sorted, each once.
func found(pattern, text string) []string {
	var all []string
	for _, m := range regexp.MustCompile(pattern).FindAllStringSubmatch(text, -1) {
		all = append(all, m[1])
	}
	slices.Sort(all)
	return slices.Compact(all)
}

const (
	rules = "prometheus/bothy.rules.yml"
	tried = "prometheus/bothy.rules.test.yml"
)

// The guide's own commands, as it has them: each finds nothing wrong. (Source:
// promtool and amtool of the Prometheus project.)
func TestGuide_commands(t *testing.T) {
	t.Parallel()
	_, block, _ := strings.Cut(read(t, "README.md"), "```sh\n")
	block, _, _ = strings.Cut(block, "```")
	lines := strings.Split(strings.TrimSpace(block), "\n")
	if len(lines) < 4 {
		t.Fatalf("the guide has the commands %q", lines)
	}
	for _, line := range append(lines, "promtool check config prometheus/scrape.yml", "promtool check rules "+rules) {
		t.Run(line, func(t *testing.T) {
			t.Parallel()
			args := strings.Fields(line)
			ask(t, args[0], args[1:]...)
		})
	}
}

// Every alert has a test of its own in which it fires, one before which it does not,
// and words that say what to do.
func TestRules_eachIsTried(t *testing.T) {
	t.Parallel()
	text, tests := read(t, rules), read(t, tried)
	names := found(`- alert: (\w+)`, text)
	if len(names) < 10 {
		t.Errorf("alerts: %q", names)
	}
	fires := found(`alertname="(\w+)",alertstate="firing",box=`, tests)
	fires = append(fires, "BothyRepeatedFaults") // of which kinds and boxes are counted
	slices.Sort(fires)
	if diff := cmp.Diff(names, fires); diff != "" {
		t.Errorf("alerts there are, and those whose firing is tried (-want +got):\n%s", diff)
	}
	for _, block := range strings.Split(text, "- alert: ")[1:] {
		name, _, _ := strings.Cut(block, "\n")
		for _, key := range []string{"severity: ", "summary: ", "description: "} {
			if !strings.Contains(block, key) {
				t.Errorf("%s has no %s", name, key)
			}
		}
	}
}

// What is compared with is defined, and the other way round: a limit that is not
// there would keep its alert quiet for ever.
func TestRules_limits(t *testing.T) {
	t.Parallel()
	text := read(t, rules)
	set, used := found(`labels: \{ of: (\w+) \}`, text), found(`bothy:limit\{of="(\w+)"\}`, text)
	if diff := cmp.Diff(set, used); diff != "" || len(set) == 0 {
		t.Errorf("limits that are set, and those that are used (-want +got):\n%s", diff)
	}
}

// Nothing is asked for that no box tells: METRICS.md is made from the code.
func TestFiles_askForWhatThereIs(t *testing.T) {
	t.Parallel()
	there := found("(?m)^\\| `(bothy_[a-z0-9_]+)`", read(t, "METRICS.md"))
	for _, name := range []string{rules, tried, "grafana/fleet.json", "grafana/box.json"} {
		for _, metric := range found(`\b(bothy_[a-z0-9_]+)`, read(t, name)) {
			if !slices.Contains(there, metric) {
				t.Errorf("%s asks for %s", name, metric)
			}
		}
		recorded := found(`record: "?(bothy:[a-z0-9_:]+)`, read(t, rules))
		for _, record := range found(`\b(bothy:[a-z0-9_:]+)`, read(t, name)) {
			if !slices.Contains(recorded, record) {
				t.Errorf("%s asks for %s", name, record)
			}
		}
	}
}

// The guide's table has the alerts that there are, and calls them as urgent.
func TestGuide_alerts(t *testing.T) {
	t.Parallel()
	var listed, real []string
	for _, m := range regexp.MustCompile("(?m)^\\| `(Bothy\\w+)` \\| (\\w+) \\| .{20,} \\|$").FindAllStringSubmatch(read(t, "README.md"), -1) {
		listed = append(listed, m[1]+" "+m[2])
	}
	for _, m := range regexp.MustCompile(`(?s)- alert: (\w+)\n.*?severity: (\w+)`).FindAllStringSubmatch(read(t, rules), -1) {
		real = append(real, m[1]+" "+m[2])
	}
	if diff := cmp.Diff(real, listed); diff != "" {
		t.Errorf("alerts, and the guide's table (-want +got):\n%s", diff)
	}
	// And all files that it speaks of are there.
	for _, name := range found("`((?:prometheus|alertmanager|grafana)/[a-z.]+)`", read(t, "README.md")) {
		if _, err := os.Stat(name); err != nil {
			t.Errorf("the guide speaks of %s: %v", name, err)
		}
	}
}

// What cannot wait goes to whoever is on watch, the rest to the day's list. (Source:
// amtool walks the routes as Alertmanager does.)
func TestAlertmanager_routes(t *testing.T) {
	t.Parallel()
	for severity, receiver := range map[string]string{"page": "watch", "ticket": "day"} {
		out := ask(t, "amtool", "config", "routes", "test", "--config.file=alertmanager/alertmanager.yml",
			"--verify.receivers="+receiver, "alertname=BothyCardOnHold", "box=skerry-1", "severity="+severity)
		if strings.TrimSpace(out) != receiver {
			t.Errorf("%s goes to %q", severity, out)
		}
	}
}

// systemd's own parser knows every key of the drop-in; an unknown one is a warning on
// standard error, which counts as a failure here.
func TestBox_waitsForTheClock(t *testing.T) {
	t.Parallel()
	analyze := judges.Need(t, "systemd-analyze")
	text := read(t, "prometheus/box.service.conf")
	for _, line := range []string{"\n[Unit]\n", "\nWants=systemd-time-wait-sync.service\n", "\nAfter=systemd-time-wait-sync.service\n"} {
		if !strings.Contains(text, line) {
			t.Errorf("the drop-in does not say %q", line)
		}
	}
	path := filepath.Join(t.TempDir(), "agent.service")
	if err := os.WriteFile(path, []byte(text+"[Service]\nExecStart=/bin/true\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.CommandContext(t.Context(), analyze, "verify", "--man=no", path).CombinedOutput(); err != nil || len(out) > 0 {
		t.Errorf("systemd-analyze verify: %v\n%s", err, out)
	}
}

// Dashboards are what Grafana takes: JSON with a title, an id, a data source that is
// chosen when it is imported, and panels that do not overlap. (From memory of Grafana's
// format; the queries are asked of a real server in testdata/fleet.)
func TestDashboards(t *testing.T) {
	t.Parallel()
	files, err := filepath.Glob("grafana/*.json")
	if err != nil || len(files) == 0 {
		t.Fatalf("%q: %v", files, err)
	}
	for _, name := range files {
		var d struct {
			UID, Title    string
			SchemaVersion int
			Templating    struct {
				List []struct{ Name, Type string }
			}
			Panels []struct {
				ID         int
				Title      string
				GridPos    struct{ X, Y, W, H int }
				Datasource struct{ Type, UID string }
			}
		}
		if err := json.Unmarshal([]byte(read(t, name)), &d); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if d.UID == "" || d.Title == "" || d.SchemaVersion == 0 || len(d.Panels) < 5 || d.Templating.List[0].Name != "source" || d.Templating.List[0].Type != "datasource" {
			t.Errorf("%s: %+v", name, d)
		}
		taken := map[[2]int]string{}
		for _, p := range d.Panels {
			if p.Title == "" || p.Datasource.UID != "${source}" || p.GridPos.X+p.GridPos.W > 24 {
				t.Errorf("%s: %+v", name, p)
			}
			for x := p.GridPos.X; x < p.GridPos.X+p.GridPos.W; x++ {
				for y := p.GridPos.Y; y < p.GridPos.Y+p.GridPos.H; y++ {
					if other := taken[[2]int{x, y}]; other != "" {
						t.Fatalf("%s: %s lies on %s", name, p.Title, other)
					}
					taken[[2]int{x, y}] = p.Title
				}
			}
		}
	}
}
