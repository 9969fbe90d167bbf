package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// bench is one call of the benchmark.
type bench struct {
	options
	bothy string    // the program under test
	log   io.Writer // what is going on
}

// measure is one thing that can be asked for.
type measure struct {
	name, title string
	run         func(context.Context, *bench, *result) error
}

func measures() []measure {
	return []measure{
		{"limit", "one card to two proven copies, beside only reading the card, and beside public tools", measureLimit},
		{"slow", "time until release with a third, slow drive attached, beside the time without it", measureSlow},
		{"cpu", "processor time of two proven copies; other checksums", measureCPU},
		{"memory", "peak memory of the daemon: a large file, many small files, four drives", measureMemory},
		{"stills", "stills and sidecars to two proven copies, beside copying them once", measureStills},
		{"start", "from the device's appearance to the first byte read of a card with many files", measureStart},
		{"progress", "the estimate of the time left, beside what was left", measureProgress},
		{"growth", "time and memory against bytes, files and drives", measureGrowth},
		{"parallel", "two cards from two readers at once", measureParallel},
		{"secondlook", "what the sampled second look costs", measureSecondLook},
	}
}

func measureNames() []string {
	var names []string
	for _, m := range measures() {
		names = append(names, m.name)
	}
	return names
}

// errLeftOut: a measure has nothing to say about this tree.
var errLeftOut = errors.New("left out")

// report is what --out's bench.json holds.
type report struct {
	machine
	Runs    int      `json:"runs"`
	Scale   float64  `json:"scale"` // 0: each measure's own
	Results []result `json:"results"`
}

// measureAll takes one measure after the other. One that refuses to report does
// not keep the others from it; all are then an error together.
func measureAll(ctx context.Context, o options, out, log io.Writer) error {
	dir, err := os.MkdirTemp(tempDir(), "bothy-bench-program-")
	if err != nil {
		return fmt.Errorf("make a folder for the program: %w", err)
	}
	defer os.RemoveAll(dir)
	b := &bench{options: o, bothy: filepath.Join(dir, "bothy"), log: log}
	if _, err := tool(ctx, "go", "build", "-trimpath", "-o", b.bothy, "bothy/daemon/bothy"); err != nil {
		return err
	}
	rep := report{machine: describeMachine(ctx), Runs: o.runs, Scale: o.scale}
	fmt.Fprintf(out, "%s, %d cores, %s, tree %s, load %s\n", rep.Kernel, rep.Cores, rep.Go, rep.Tree, rep.Load)
	var refused []error
	for _, m := range measures() {
		if !slices.Contains(o.names, m.name) {
			continue
		}
		fmt.Fprintf(log, "%s ...\n", m.name)
		res := b.take(ctx, m)
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
		if res.Refused != "" {
			refused = append(refused, fmt.Errorf("%s refused to report", m.name))
		}
		rep.Results = append(rep.Results, res)
		fmt.Fprint(out, res.text())
	}
	if o.out != "" {
		if err := rep.write(o.out); err != nil {
			return err
		}
	}
	return errors.Join(refused...)
}

// take carries out one measure. When that fails nothing it found is kept.
func (b *bench) take(ctx context.Context, m measure) result {
	res := result{Name: m.name, Title: m.title}
	begun := ticks()
	switch err := m.run(ctx, b, &res); {
	case errors.Is(err, errLeftOut):
		res = result{Name: m.name, Title: m.title, LeftOut: strings.TrimPrefix(err.Error(), errLeftOut.Error()+": ")}
	case err != nil:
		res = result{Name: m.name, Title: m.title, Refused: err.Error()}
	}
	res.Seconds = (ticks() - begun).Seconds()
	return res
}

func (r *report) write(dir string) error {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return fmt.Errorf("make the folder for the results: %w", err)
	}
	text, err := json.MarshalIndent(r, "", "  ")
	if err != nil {
		return fmt.Errorf("encode the results: %w", err)
	}
	files := map[string][]byte{"bench.json": append(text, '\n')}
	for _, res := range r.Results {
		if len(res.Rows) == 0 {
			continue
		}
		files["growth.md"] = []byte(growthDocument(r.machine, res.Rows))
		files["growth.svg"] = growthPicture(r.machine, res.Rows)
	}
	for name, data := range files {
		if err := os.WriteFile(filepath.Join(dir, name), data, 0o644); err != nil {
			return fmt.Errorf("write the results: %w", err)
		}
	}
	return nil
}

// share is a measure's full size at the scale that was asked for, or at usual
// unless one was; at least 1.
func (b *bench) share(full int64, usual float64) int64 {
	s := b.scale
	if s == 0 {
		s = usual
	}
	return max(1, int64(float64(full)*s))
}

// seconds and perGiB turn usages into what a series holds.
func seconds(us []usage) []float64 {
	var list []float64
	for _, u := range us {
		list = append(list, u.Wall.Seconds())
	}
	return list
}

func perGiB(us []usage, bytes int64) []float64 {
	var list []float64
	for _, u := range us {
		list = append(list, u.CPU.Seconds()/(float64(bytes)/(1<<30)))
	}
	return list
}
