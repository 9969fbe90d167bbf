package policy

import (
	"strings"
	"testing"
	"time"
)

func patrolOf(t *testing.T, lines string) (Patrol, error) {
	t.Helper()
	p, err := Parse("p.toml", []byte("[[card]]\nname = \"c\"\nlabel = \"SKUA*\"\n[[drive]]\nname = \"bay\"\nslot = \"bay-*\"\n"+lines))
	if err != nil {
		return Patrol{}, err
	}
	return p.Patrol, nil
}

func TestPatrol(t *testing.T) {
	t.Parallel()
	const day = 24 * time.Hour
	for lines, want := range map[string]Patrol{
		"":                    {4, 50, 30 * day},
		"[patrol]":            {4, 50, 30 * day},
		"[patrol]\nhours = 0": {0, 50, 30 * day},
		"[patrol]\nhours = 24\nshare = 100\nafter = \"1d\"": {24, 100, day},
	} {
		if got, err := patrolOf(t, lines); err != nil || got != want {
			t.Errorf("%q: %+v, %v", lines, got, err)
		}
	}
	for lines, words := range map[string]string{
		"hours = 25": "24", "hours = -1": "24", "hours = \"4\"": "hours", "share = 0": "100", "share = 101": "100",
		"after = \"30\"": "30d", "after = 30": "after", "after = \"0d\"": "3660", "every = \"30d\"": "every",
	} {
		if _, err := patrolOf(t, "[patrol]\n"+lines); err == nil || !strings.Contains(err.Error(), "p.toml:8:") || !strings.Contains(err.Error(), words) {
			t.Errorf("%q: %v", lines, err)
		}
	}
}
