package policy

import (
	"strings"
	"testing"
	"time"
)

func mirrorOf(t *testing.T, lines string) (Mirror, error) {
	t.Helper()
	p, err := Parse("p.toml", []byte("[[card]]\nname = \"c\"\nlabel = \"SKUA*\"\n[[drive]]\nname = \"bay\"\nslot = \"bay-*\"\n"+lines))
	if err != nil {
		return Mirror{}, err
	}
	return p.Drives[0].Mirror, nil
}

func TestMirror_wants(t *testing.T) {
	t.Parallel()
	const day = 24 * time.Hour
	for _, tc := range []struct {
		lines  string
		folder string
		age    time.Duration
		known  bool
		want   bool
	}{
		{"", "2026-11-25/a", 400 * day, true, true},
		{`mirror = "all"`, "2026-11-25/a", 400 * day, true, true},
		{`mirror = "none"`, "2026-11-25/a", 0, true, false},
		{`mirror = "none"`, "2026-11-25/a", 0, false, false},
		{`mirror = "since 14d"`, "2026-11-25/a", 14 * day, true, true},
		{`mirror = "since 14d"`, "2026-11-25/a", 14*day + 1, true, false},
		{`mirror = "since 14d"`, "2026-11-25/a", 15 * day, false, true}, // the clock was never right
		{`mirror = "since 14d"`, "2026-11-25/a", -3 * day, true, true},  // it went back
		{`mirror_folders = ["2026-11-*"]`, "2026-11-25/a", 0, true, true},
		{`mirror_folders = ["2026-11-*"]`, "2026-12-25/a", 0, true, false},
		{"mirror = \"since 1d\"\nmirror_folders = \"*/skua-*\"", "2026-11-25/skua-1", 2 * day, true, false},
		{"mirror = \"since 3d\"\nmirror_folders = \"*/skua-*\"", "2026-11-25/skua-1", 2 * day, true, true},
	} {
		m, err := mirrorOf(t, tc.lines)
		if err != nil {
			t.Errorf("%s: %v", tc.lines, err)
		} else if got := m.Wants(tc.folder, tc.age, tc.known); got != tc.want {
			t.Errorf("%q, %s, %s, %v: %v", tc.lines, tc.folder, tc.age, tc.known, got)
		}
	}
}

func TestMirror_refuses(t *testing.T) {
	t.Parallel()
	for _, text := range []string{"", "some", "since", "since ", "since d", "since 0d", "since -1d", "since 3661d", "since 14", "since 14 d",
		"since 1.5d", "since 99999999999999999999d", "SINCE 14d", "all "} {
		_, err := mirrorOf(t, "mirror = \""+text+"\"")
		if err == nil || !strings.Contains(err.Error(), "p.toml:7:10: ") || !strings.Contains(err.Error(), "since 14d") {
			t.Errorf("%q: %v", text, err)
		}
	}
}
