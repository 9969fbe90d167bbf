package fleet

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"bothy/testdata/judges"
)

// shipped is where the files are that are tried here.
const shipped = "../../deploy/fleet/"

// patience ends a test that hangs; nothing is concluded from time.
const patience = 2 * time.Minute

// until looks again and again, and ends the test with the last error when nothing
// comes of it.
func until(t *testing.T, what string, look func() error) {
	t.Helper()
	tick := time.NewTicker(100 * time.Millisecond)
	defer tick.Stop()
	late := time.After(patience)
	for {
		err := look()
		if err == nil {
			return
		}
		select {
		case <-tick.C:
		case <-late:
			t.Fatalf("not seen: %s: %v", what, err)
		case <-t.Context().Done():
			t.Fatalf("not seen: %s: %v", what, err)
		}
	}
}

// tail keeps the last of what a program says.
type tail struct {
	mu   sync.Mutex
	text []byte // guarded by mu
}

func (l *tail) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.text = append(l.text, p...)
	l.text = l.text[max(0, len(l.text)-8<<10):]
	return len(p), nil
}

// launch starts a program whose last words are shown when the test has failed.
func launch(t *testing.T, name string, cmd *exec.Cmd) {
	t.Helper()
	said := &tail{}
	cmd.Stdout, cmd.Stderr = said, said
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		said.mu.Lock()
		defer said.mu.Unlock()
		if t.Failed() {
			t.Logf("%s said last:\n%s", name, said.text)
		}
	})
}

// prometheus is a server or an agent that runs.
type prometheus struct {
	t       *testing.T
	dir     string // of its configuration and its data
	address string
}

// newPrometheus prepares one; start begins its life.
func newPrometheus(t *testing.T) *prometheus {
	t.Helper()
	return &prometheus{t: t, dir: t.TempDir(), address: freeAddress(t)}
}

// put writes a file into its folder that ships, with changes of what must be
// otherwise here: pairs of old and new. Each old text must be there.
func (p *prometheus) put(name, from string, changes ...string) {
	p.t.Helper()
	data, err := os.ReadFile(shipped + "prometheus/" + from)
	if err != nil {
		p.t.Fatal(err)
	}
	text := string(data)
	for i := 0; i < len(changes); i += 2 {
		if !strings.Contains(text, changes[i]) {
			p.t.Fatalf("%s does not say %q any more", from, changes[i])
		}
		text = strings.ReplaceAll(text, changes[i], changes[i+1])
	}
	p.write(name, text)
}

func (p *prometheus) write(name, text string) {
	p.t.Helper()
	if err := os.WriteFile(filepath.Join(p.dir, name), []byte(text), 0o644); err != nil {
		p.t.Fatal(err)
	}
}

// targets writes the list of boxes.
func (p *prometheus) targets(boxes ...*box) {
	p.t.Helper()
	type target struct {
		Targets []string          `json:"targets"`
		Labels  map[string]string `json:"labels"`
	}
	var list []target
	for _, b := range boxes {
		list = append(list, target{[]string{b.Listen}, map[string]string{"box": b.Name}})
	}
	data, err := json.Marshal(list)
	if err != nil {
		p.t.Fatal(err)
	}
	p.write("targets.json", string(data))
}

// start runs it with the flags of a file that ships, but for where it listens and
// keeps its data; "" is for Debian's own, which are none.
func (p *prometheus) start(flagsFile string) {
	p.t.Helper()
	args := []string{"--config.file=" + filepath.Join(p.dir, "prometheus.yml")}
	data := filepath.Join(p.dir, "data")
	flags := `ARGS="--web.listen-address=127.0.0.1:9090"`
	if flagsFile != "" {
		text, err := os.ReadFile(shipped + "prometheus/" + flagsFile)
		if err != nil {
			p.t.Fatal(err)
		}
		flags = string(text)
	}
	_, flags, _ = strings.Cut(flags, `ARGS="`)
	agent := false
	for _, f := range strings.Fields(strings.TrimSuffix(strings.TrimSpace(flags), `"`)) {
		f = strings.Replace(f, "127.0.0.1:9090", p.address, 1)
		f = strings.Replace(f, "/var/lib/prometheus/data-agent/", data, 1)
		agent = agent || f == "--enable-feature=agent"
		args = append(args, f)
	}
	if !agent {
		args = append(args, "--storage.tsdb.path="+data)
	}
	cmd := exec.Command(judges.Need(p.t, "prometheus"), args...)
	launch(p.t, "prometheus "+flagsFile, cmd)
	p.t.Cleanup(func() {
		_ = cmd.Process.Kill() // its data are thrown away
		_ = cmd.Wait()
	})
	until(p.t, "prometheus is ready", func() error { return get("http://"+p.address+"/-/ready", nil) })
}

// series is one of an answer: an instant's value, or all values of a range.
type series struct {
	Metric map[string]string    `json:"metric"`
	Value  [2]json.RawMessage   `json:"value"`
	Values [][2]json.RawMessage `json:"values"`
}

func (s series) number() (f float64) {
	_, _ = fmt.Sscan(string(bytes.Trim(s.Value[1], `"`)), &f) // NaN and what is not there are no number
	return f
}

// ask has a query answered as of now, or as of the second at.
func (p *prometheus) ask(query string, at ...float64) ([]series, error) {
	values := url.Values{"query": {query}}
	if len(at) > 0 {
		values.Set("time", fmt.Sprintf("%.3f", at[0]))
	}
	var answer struct {
		Status, Error string
		Data          struct {
			ResultType string          `json:"resultType"`
			Result     json.RawMessage `json:"result"`
		}
	}
	if err := get("http://"+p.address+"/api/v1/query?"+values.Encode(), &answer); err != nil {
		return nil, err
	}
	if answer.Status != "success" {
		return nil, fmt.Errorf("ask %q: %s", query, answer.Error)
	}
	var list []series
	if answer.Data.ResultType != "vector" && answer.Data.ResultType != "matrix" {
		return nil, fmt.Errorf("ask %q: a %s", query, answer.Data.ResultType)
	}
	err := json.Unmarshal(answer.Data.Result, &list)
	return list, err
}

// number is the one value of a query; an error when there is none, or several.
func (p *prometheus) number(query string, at ...float64) (float64, error) {
	list, err := p.ask(query, at...)
	if err != nil {
		return 0, err
	}
	if len(list) != 1 {
		return 0, fmt.Errorf("ask %q: %d series", query, len(list))
	}
	return list[0].number(), nil
}

// reaches waits until the one value of a query is at least so much.
func (p *prometheus) reaches(query string, least float64) {
	p.t.Helper()
	until(p.t, query, func() error {
		got, err := p.number(query)
		if err == nil && got < least {
			err = fmt.Errorf("%g of %g", got, least)
		}
		return err
	})
}
