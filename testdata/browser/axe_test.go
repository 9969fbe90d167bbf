package browser

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"context"
	"crypto/sha512"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// axe-core, by the npm registry's name for what is in it. Licence MPL-2.0; it is run in
// tests, and is no part of the program.
const (
	axeVersion = "4.14.1"
	axeSum     = "FHfa+lmNjQZfJz1q8wKqIDwC6DExcHt/pkjNQb09a3NPjCKg2rhu5qb2S4r76ASyFNNtuFooJpZe37OgudVGtQ==" // SHA-512
	axeMost    = 32 << 20                                                                                   // bytes that are taken
)

// registry is where npm would ask.
func registry(ctx context.Context) string {
	for _, name := range []string{"npm_config_registry", "NPM_CONFIG_REGISTRY"} {
		if url := os.Getenv(name); url != "" {
			return strings.TrimSuffix(url, "/")
		}
	}
	if out, err := exec.CommandContext(ctx, "npm", "config", "get", "registry").Output(); err == nil && bytes.HasPrefix(out, []byte("http")) {
		return strings.TrimSuffix(strings.TrimSpace(string(out)), "/")
	}
	return "https://registry.npmjs.org"
}

// axeScript is axe-core, from the user's cache or from the registry; in continuous
// integration it may not be missing.
func axeScript(t *testing.T) string {
	t.Helper()
	cache := ""
	if dir, err := os.UserCacheDir(); err == nil {
		cache = filepath.Join(dir, "bothy-tests", "axe-core-"+axeVersion+".tgz")
		if data, err := os.ReadFile(cache); err == nil && sound(data) {
			return unpack(t, data)
		}
	}
	data, err := fetchAxe(t.Context())
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatalf("axe-core is not to be had, and in CI nothing may be left out: %v", err)
		}
		t.Skipf("left out: axe-core is not to be had, so nothing independent judges this: %v", err)
	}
	if cache != "" {
		keep(t, cache, data)
	}
	return unpack(t, data)
}

// keep puts data into the cache; several tests may do so at once.
func keep(t *testing.T, cache string, data []byte) {
	t.Helper()
	dir := filepath.Dir(cache)
	err := os.MkdirAll(dir, 0o755)
	if err == nil {
		fresh := filepath.Join(dir, fmt.Sprintf("fresh-%d-%s", os.Getpid(), strings.ReplaceAll(t.Name(), "/", "-")))
		err = errors.Join(os.WriteFile(fresh, data, 0o644), os.Rename(fresh, cache))
	}
	if err != nil {
		t.Logf("axe-core is not kept: %v", err)
	}
}

func sound(data []byte) bool {
	sum := sha512.Sum512(data)
	return base64.StdEncoding.EncodeToString(sum[:]) == axeSum
}

func fetchAxe(ctx context.Context) ([]byte, error) {
	url := registry(ctx) + "/axe-core/-/axe-core-" + axeVersion + ".tgz"
	ctx, cancel := context.WithTimeout(ctx, 2*time.Minute)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, url, nil)
	if err != nil {
		return nil, err
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return nil, err
	}
	defer res.Body.Close()
	data, err := io.ReadAll(io.LimitReader(res.Body, axeMost))
	switch {
	case err != nil:
		return nil, err
	case res.StatusCode != http.StatusOK:
		return nil, fmt.Errorf("get axe-core: %s", res.Status)
	case !sound(data):
		return nil, fmt.Errorf("get axe-core: %d bytes that have another checksum", len(data))
	}
	return data, nil
}

// unpack gives the one file that is wanted of a package.
func unpack(t *testing.T, data []byte) string {
	t.Helper()
	z, err := gzip.NewReader(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	for r := tar.NewReader(z); ; {
		head, err := r.Next()
		if err != nil {
			t.Fatalf("axe-core: %v", err)
		}
		if head.Name != "package/axe.min.js" {
			continue
		}
		script, err := io.ReadAll(io.LimitReader(r, axeMost))
		if err != nil {
			t.Fatal(err)
		}
		return string(script)
	}
}

// verdictOfAxe is what axe-core says of one page.
type verdictOfAxe struct {
	Violations, Incomplete []struct {
		ID, Help string
		Nodes    []struct{ HTML, FailureSummary string }
	}
	Passes []struct{ ID string }
}

const judge = `axe.run(document, {runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"], resultTypes: ["violations", "incomplete", "passes"]})
	.then((r) => ({Violations: r.violations, Incomplete: r.incomplete, Passes: r.passes}))`

// axe-core finds nothing against the rules of WCAG 2.0 to 2.2, A and AA, and nothing that
// it leaves to a person.
func TestAxe(t *testing.T) {
	t.Parallel()
	script := axeScript(t)
	c := newChromium(t)
	full, empty := newBox(t, everything()), newBox(t, starting())
	for name, page := range map[string]struct {
		b    *box
		path string
	}{"page": {full, "/"}, "starting": {empty, "/"}, "find": {full, "/find?name=*.JPG"}, "report": {full, "/reports/2026-11-25.html"}} {
		t.Run(name, func(t *testing.T) {
			p := c.open(t, page.b.url(page.path), glass{Width: 360})
			p.eval(script, nil)
			for _, g := range []glass{{Width: 360}, {Width: 360, Dark: true}, {Width: 1280}, {Width: 1280, Dark: true}, {Width: 320, Text: 2}} {
				t.Run(g.String(), func(t *testing.T) {
					p.t = t
					p.through(g)
					p.judged()
				})
			}
		})
	}
	t.Run("unheard", func(t *testing.T) {
		b := newBox(t, ordinary())
		p := c.open(t, b.url("/"), glass{Width: 360})
		p.eval(script, nil)
		p.becomes(`document.body.classList.contains("live")`)
		b.end()
		p.becomes(`!document.getElementById("link").hidden`)
		for _, dark := range []bool{false, true} {
			p.through(glass{Width: 360, Dark: dark})
			p.judged()
		}
	})
}

// judged fails for each thing that axe-core finds.
func (p *tab) judged() {
	p.t.Helper()
	var v verdictOfAxe
	p.eval(judge, &v)
	for _, list := range []struct {
		word  string
		found []struct {
			ID, Help string
			Nodes    []struct{ HTML, FailureSummary string }
		}
	}{{"violation", v.Violations}, {"left to a person", v.Incomplete}} {
		for _, f := range list.found {
			p.t.Errorf("%s: %s (%s) %d times: %.300s\n%s", list.word, f.ID, f.Help, len(f.Nodes), f.Nodes[0].HTML, f.Nodes[0].FailureSummary)
		}
	}
	if len(v.Passes) < 8 {
		p.t.Errorf("axe-core says that %d rules are kept, which is too few to have looked: %v", len(v.Passes), v.Passes)
	}
}
