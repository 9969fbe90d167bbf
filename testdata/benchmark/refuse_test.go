package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	shows "bothy/daemon/status"
)

// made is a folder filled as a card is, without a device below it.
func made(t *testing.T) (string, content) {
	t.Helper()
	dir := t.TempDir()
	d := &disk{label: "SKUA_A", point: filepath.Join(dir, "card")}
	if err := os.Mkdir(d.point, 0o755); err != nil {
		t.Fatal(err)
	}
	c, err := fill(t.Context(), d, dir, recipe{seed: 1, clips: 2, clipBytes: 300_000, sidecars: 3, sparse: 70_000})
	if err != nil {
		t.Fatal(err)
	}
	return d.point, c
}

func needXxhsum(t *testing.T) {
	t.Helper()
	if _, err := exec.LookPath("xxhsum"); err != nil {
		t.Skip("left out: xxhsum is not installed")
	}
}

// xxhsum is the independent judge, of the sums that fill wrote too.
func TestProveFolder(t *testing.T) {
	t.Parallel()
	needXxhsum(t)
	tests := []struct {
		name string
		harm func(root string) error
		good bool
	}{
		{"untouched", func(string) error { return nil }, true},
		{"a manifest beside it is no file of the card", func(root string) error {
			return errors.Join(os.Mkdir(filepath.Join(root, "ascmhl"), 0o755), os.WriteFile(filepath.Join(root, "ascmhl", "0001.mhl"), nil, 0o644))
		}, true},
		{"one bit turned", func(root string) error {
			name := filepath.Join(root, "DCIM/100SKUAS/SKUA0002.MOV")
			data, err := os.ReadFile(name)
			if err != nil {
				return err
			}
			data[123_456] ^= 4
			return os.WriteFile(name, data, 0o644)
		}, false},
		{"a file is missing", func(root string) error { return os.Remove(filepath.Join(root, "DCIM/100SKUAS/SKUA0001.XMP")) }, false},
		{"a file is cut short", func(root string) error {
			return os.Truncate(filepath.Join(root, "DCIM/100SKUAS/LONG0001.MOV"), 69_999)
		}, false},
		{"a file too many", func(root string) error { return os.WriteFile(filepath.Join(root, "other"), nil, 0o644) }, false},
		{"one instead of another", func(root string) error {
			return os.Rename(filepath.Join(root, "DCIM/100SKUAS/SKUA0001.XMP"), filepath.Join(root, "other"))
		}, false},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			root, c := made(t)
			if err := test.harm(root); err != nil {
				t.Fatal(err)
			}
			err := proveFolder(t.Context(), root, c)
			if test.good && err != nil {
				t.Errorf("refused: %v", err)
			}
			if !test.good && !errors.Is(err, errUnproven) {
				t.Errorf("got %v, want %v", err, errUnproven)
			}
		})
	}
}

func TestCopyAnswer_check(t *testing.T) {
	t.Parallel()
	const good = `{"verdict":"release","copies":[{"folder":"/a","state":"proven"},{"folder":"/b","state":"proven"}]}`
	tests := []struct {
		name, json string
		good       bool
	}{
		{"all proven", good, true},
		{"on hold", strings.Replace(good, "release", "hold", 1), false},
		{"one not proven", strings.Replace(good, `"state":"proven"}]`, `"state":"failed"}]`, 1), false},
		{"a copy is missing", `{"verdict":"release","copies":[{"folder":"/a","state":"proven"}]}`, false},
		{"nothing said", `{}`, false},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			var a copyAnswer
			if err := json.Unmarshal([]byte(test.json), &a); err != nil {
				t.Fatal(err)
			}
			if err := a.check(2); test.good != (err == nil) || err != nil && !errors.Is(err, errUnproven) {
				t.Errorf("got %v", err)
			}
		})
	}
}

func TestCopyAnswer_oneDriveIsAHold(t *testing.T) {
	t.Parallel()
	var a copyAnswer
	if err := json.Unmarshal([]byte(`{"verdict":"hold","copies":[{"folder":"/a","state":"proven"}]}`), &a); err != nil {
		t.Fatal(err)
	}
	if err := a.check(1); err != nil {
		t.Errorf("one proven copy on one drive is refused: %v", err)
	}
}

// A measure that fails half way keeps no figure.
func TestTake_refusalKeepsNoFigures(t *testing.T) {
	t.Parallel()
	b := &bench{log: &bytes.Buffer{}}
	for _, why := range []error{errToothless, errUnproven} {
		res := b.take(t.Context(), measure{name: "limit", run: func(_ context.Context, _ *bench, r *result) error {
			r.add("bothy copy", "s", []float64{1})
			r.Figures = append(r.Figures, judged("ratio", 1, "x", 1.05))
			return fmt.Errorf("bothy copy: %w", why)
		}})
		if len(res.Series)+len(res.Figures) != 0 || !strings.Contains(res.Refused, why.Error()) {
			t.Errorf("got %+v", res)
		}
		if text := res.text(); !strings.Contains(text, "REFUSED") || strings.Contains(text, "1.05") {
			t.Errorf("printed:\n%s", text)
		}
	}
}

func TestTake_leftOut(t *testing.T) {
	t.Parallel()
	b := &bench{log: &bytes.Buffer{}}
	res := b.take(t.Context(), measure{name: "parallel", run: func(context.Context, *bench, *result) error {
		return fmt.Errorf("%w: this tree cannot", errLeftOut)
	}})
	if res.LeftOut != "this tree cannot" || res.Refused != "" {
		t.Errorf("got %+v", res)
	}
}

func TestStatus_released(t *testing.T) {
	t.Parallel()
	cards := []*disk{{label: "SKUA_A"}, {label: "SKUA_B"}}
	card := func(label, phase, verdict string) shows.Card {
		return shows.Card{Label: label, Phase: phase, Verdict: verdict}
	}
	tests := []struct {
		name     string
		cards    []shows.Card
		released bool
		refused  bool
	}{
		{"nothing yet", nil, false, false},
		{"one of two", []shows.Card{card("SKUA_A", "decided", "release")}, false, false},
		{"one still at work", []shows.Card{card("SKUA_A", "decided", "release"), card("SKUA_B", "working", "hold")}, false, false},
		{"both", []shows.Card{card("SKUA_A", "decided", "release"), card("SKUA_B", "decided", "release")}, true, false},
		{"one on hold", []shows.Card{card("SKUA_A", "decided", "release"), card("SKUA_B", "decided", "hold")}, false, true},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			got, err := allReleased(&status{shows.Document{Cards: test.cards}}, cards)
			if got != test.released || test.refused != errors.Is(err, errUnproven) {
				t.Errorf("got %v, %v", got, err)
			}
		})
	}
}

func TestStatus_provenCountsOnlyThisCardsProvenCopies(t *testing.T) {
	t.Parallel()
	now := &status{shows.Document{Offloads: []shows.Offload{
		{CardLabel: "SKUA_A", Copies: []shows.Copy{{DriveName: "SKERRY_A", Folder: "one", Phase: "proven"}, {DriveName: "SKERRY_B", Folder: "two", Phase: "copying"}}},
		{CardLabel: "SKUA_B", Copies: []shows.Copy{{DriveName: "SKERRY_B", Folder: "three", Phase: "proven"}}},
	}}}
	cards, drives := []*disk{{label: "SKUA_A"}}, []*disk{{label: "SKERRY_A"}, {label: "SKERRY_B"}}
	if allProven(now, cards, drives) {
		t.Error("a copy that is being written counts as proven")
	}
	if folder, ok := now.proven("SKUA_A", "SKERRY_A"); !ok || folder != "one" {
		t.Errorf("got %q, %v", folder, ok)
	}
}
