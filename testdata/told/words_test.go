package told

import (
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"bothy/daemon/state"
	"bothy/policy"
)

// help asks the real program how its commands are called.
func help(t *testing.T) map[string]string {
	t.Helper()
	program, err := built()
	must(t, err)
	said := map[string]string{}
	say := func(name string, args ...string) string {
		out, err := exec.CommandContext(t.Context(), program, append(args, "--help")...).CombinedOutput()
		if err != nil {
			t.Fatalf("bothy %s --help: %v\n%s", name, err, out)
		}
		said[name] = string(out)
		return string(out)
	}
	_, list, _ := strings.Cut(say(""), "Available Commands:\n")
	list, _, _ = strings.Cut(list, "\n\n")
	for _, m := range regexp.MustCompile(`(?m)^  ([a-z-]+) `).FindAllStringSubmatch(list, -1) {
		say(m[1], m[1])
	}
	if len(said) < 15 {
		t.Fatalf("bothy --help lists\n%s", list)
	}
	return said
}

// Wherever a document calls bothy, that command takes those flags.
func TestDocs_bothy(t *testing.T) {
	t.Parallel()
	said := help(t)
	call := regexp.MustCompile(`(?:^|[\s|&(])bothy(?: ([^|&>]*))?`)
	plain := strings.NewReplacer("[", " ", "]", " ", "…", " ", ",", " ", "'", "")
	n := 0
	for _, p := range pages(t) {
		for _, c := range append(slices.Clone(p.blocks), p.spans...) {
			if !regexp.MustCompile(`^(sudo )?bothy |\| bothy | bothy [a-z-]+ `).MatchString(c.text) || strings.HasPrefix(c.text, "<") {
				continue
			}
			for _, m := range call.FindAllStringSubmatch(c.text, -1) {
				given := strings.Fields(plain.Replace(m[1]))
				if len(given) == 0 || strings.HasSuffix(given[0], ")") || given[0] == "COMMAND" {
					continue
				}
				name := given[0]
				if strings.HasPrefix(name, "-") {
					name = ""
				}
				text, known := said[name]
				if !known {
					t.Errorf("%s: there is no command %q", c, name)
					continue
				}
				for _, word := range given {
					if strings.HasPrefix(word, "-") && word != "-" && !regexp.MustCompile(`(?m)^ .*(^|[ ,])`+regexp.QuoteMeta(word)+`[ ,]`).MatchString(text) {
						t.Errorf("%s: 'bothy %s' takes no %s", c, name, word)
					}
				}
				n++
			}
		}
	}
	if n < 60 {
		t.Errorf("only %d calls were found", n)
	}
	t.Logf("%d calls of bothy, held against --help of %d commands", n, len(said)-1)
}

// A condition, a metric, an address or a file that a document speaks of is there.
func TestDocs_names(t *testing.T) {
	t.Parallel()
	codes, first := map[string]bool{}, map[string]bool{}
	for _, k := range state.Kinds {
		codes[string(k.Code)] = true
		head, _, _ := strings.Cut(string(k.Code), "-")
		first[head] = true
	}
	metrics := metricNames(t)
	served := servedPaths(t)
	installed := installedFiles(t)
	there := map[string]bool{}
	walk(t, func(name string, _ []byte) {
		for dir := name; dir != "."; dir = filepath.Dir(dir) {
			there[dir], there["*/"+filepath.Base(dir)] = true, true
		}
	})
	looked := map[string]int{}
	look := func(what string, ok bool, s line) {
		looked[what]++
		if !ok {
			t.Errorf("%s: there is no such %s", s, what)
		}
	}
	for _, p := range pages(t) {
		for _, m := range regexp.MustCompile(`\bbothy_[a-z_]+\b`).FindAllString(p.text, -1) {
			if m != "bothy_report_of_box" {
				look("metric", metrics[m], line{p.name, m, 0})
			}
		}
		for _, m := range regexp.MustCompile(`\]\(([^)#]+)`).FindAllStringSubmatch(p.text, -1) {
			look("link", there[filepath.Join(filepath.Dir(p.name), m[1])], line{p.name, m[1], 0})
		}
		for _, s := range p.spans {
			head, _, _ := strings.Cut(s.text, "-")
			switch {
			case regexp.MustCompile(`^[a-z]+(-[a-z]+)+$`).MatchString(s.text) && first[head] && s.text != "clock-unsure": // a part of folders' names
				look("condition", codes[s.text] || strings.HasPrefix(s.text, "bothy-"), s)
			case regexp.MustCompile(`^/(v1/|healthz|metrics)`).MatchString(s.text):
				look("address", served(s.text), s)
			case strings.HasPrefix(s.text, "/usr/"):
				look("installed file", installed(s.text), s)
			case strings.ContainsAny(s.text, " *<") || strings.HasPrefix(s.text, "/") || s.text == "prometheus.yml": // on a box
			case regexp.MustCompile(`^\.?/?(daemon|deploy|testdata|udev|policy|metrics|\.ci|prometheus|alertmanager|grafana)/[\w./-]+$`).MatchString(s.text):
				name := filepath.Clean(s.text)
				look("file", there[name] || there[filepath.Join(filepath.Dir(p.name), name)] || strings.HasPrefix(name, "prometheus/client") || strings.HasPrefix(name, "prometheus/exporter"), s)
			case regexp.MustCompile(`^[\w./-]+\.(go|md|yml|service|socket|rules|conf|mod)$`).MatchString(s.text):
				look("file", there[s.text] || there["*/"+filepath.Base(s.text)], s)
			}
		}
		// Manual pages that one points at.
		for _, m := range regexp.MustCompile(`bothy(?:\\?-[a-z]+)?(?: \(|\()([157])\)`).FindAllStringSubmatch(p.text, -1) {
			name := strings.NewReplacer(`\`, "", " ", "").Replace(m[0])
			name = strings.Replace(strings.TrimSuffix(name, ")"), "(", ".", 1)
			look("manual page", there["deploy/man/"+name], line{p.name, m[0], 0})
		}
	}
	for _, what := range []string{"condition", "metric", "address", "file", "link", "manual page", "installed file"} {
		if looked[what] == 0 {
			t.Errorf("no %s was found in any document", what)
		}
	}
	t.Logf("looked up: %v", looked)
}

// metricNames are those that METRICS.md has, which a test in metrics makes from the code.
func metricNames(t *testing.T) map[string]bool {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(root, "deploy/fleet/METRICS.md"))
	must(t, err)
	names := map[string]bool{}
	for _, m := range regexp.MustCompile("(?m)^\\| `(bothy_[a-z_]+)` \\|").FindAllStringSubmatch(string(data), -1) {
		names[m[1]] = true
	}
	return names
}

// servedPaths says whether the page answers at an address, by the description that it
// serves; parts that stand for a name may be written in capitals.
func servedPaths(t *testing.T) func(string) bool {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(root, "daemon/status/openapi.json"))
	must(t, err)
	var described struct{ Paths map[string]any }
	must(t, json.Unmarshal(data, &described))
	if len(described.Paths) < 8 {
		t.Fatalf("the description has %d addresses", len(described.Paths))
	}
	return func(path string) bool {
		_, ok := described.Paths[regexp.MustCompile(`/[A-Z]+(/|$)`).ReplaceAllString(path, "/{}$1")]
		for known := range described.Paths {
			ok = ok || regexp.MustCompile(`\{\w*\}`).ReplaceAllString(known, "{}") == regexp.MustCompile(`/[A-Z]+(/|$)`).ReplaceAllString(path, "/{}$1")
		}
		return ok || path == "/v1/openapi.json"
	}
}

// installedFiles says whether the package brings a file, or one below a folder.
func installedFiles(t *testing.T) func(string) bool {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(root, "deploy/nfpm.yaml"))
	must(t, err)
	return func(name string) bool {
		return strings.Contains(string(data), "dst: "+name+",") || strings.Contains(string(data), "dst: "+strings.TrimSuffix(name, "/")+"/")
	}
}

// tables are those of a policy, as its parser calls them.
var tables = []string{"[box]", "[status]", "[patrol]", "[power]", "[[card]]", "[[drive]]", "[[light]]"}

// knows says whether the policy's own parser knows a key in a table.
func knows(table, key string) bool {
	_, err := policy.Parse("asked.toml", []byte(table+"\n"+key+" = 1\n"))
	return err == nil || !strings.Contains(err.Error(), fmt.Sprintf("%q is not known", key))
}

// What a document writes as a key of the policy, its parser knows; and every key that
// the manual page explains, in that very table.
func TestDocs_policyKeys(t *testing.T) {
	t.Parallel()
	if knows("[box]", "mirror") || !knows("[box]", "copies") {
		t.Fatal("the parser does not tell what it knows in the way that this test reads")
	}
	n, explained := 0, 0
	key := regexp.MustCompile(`^([a-z_]+) = \S`)
	for _, p := range pages(t) {
		for _, s := range p.spans {
			if m := key.FindStringSubmatch(s.text); m != nil {
				n++
				if !slices.ContainsFunc(tables, func(table string) bool { return knows(table, m[1]) }) {
					t.Errorf("%s: no table of the policy has this key", s)
				}
			}
			if regexp.MustCompile(`^\[+[a-z]{3,}\]+$`).MatchString(s.text) && !slices.Contains(tables, s.text) {
				t.Errorf("%s: the policy has no such table", s)
			}
		}
		if p.name != "deploy/man/bothy-policy.5" {
			continue
		}
		for section := range strings.SplitSeq(p.text, "\n.SH ") {
			table, text, _ := strings.Cut(section, "\n")
			in := []string{strings.Trim(table, `"`)}
			if strings.HasPrefix(in[0], "WHAT CARD AND DRIVE") {
				in = []string{"[[card]]", "[[drive]]"}
			}
			for _, m := range regexp.MustCompile(`(?m)^\.TP\n\.BR? (.*)$`).FindAllStringSubmatch(text, -1) {
				for word := range strings.FieldsSeq(strings.NewReplacer(`"`, "", ",", "").Replace(m[1])) {
					for _, where := range in {
						explained++
						if !slices.Contains(tables, where) || !knows(where, word) {
							t.Errorf("%s explains %s in %s, which the parser does not know", p.name, word, where)
						}
					}
				}
			}
		}
	}
	if n < 4 || explained < 30 {
		t.Errorf("only %d keys were found, and %d explained", n, explained)
	}
	t.Logf("%d keys in sentences, %d explained by the manual page, asked of the policy's parser", n, explained)
}
