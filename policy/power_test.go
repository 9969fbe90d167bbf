package policy

import (
	"strings"
	"testing"
)

func powerOf(lines string) (Power, error) {
	p, err := Parse("p.toml", []byte("[[card]]\nname = \"c\"\nlabel = \"SKUA*\"\n[[drive]]\nname = \"bay\"\nslot = \"bay-*\"\n"+lines))
	if err != nil {
		return Power{}, err
	}
	return p.Power, nil
}

func TestPower(t *testing.T) {
	t.Parallel()
	for lines, want := range map[string]Power{
		"":                                 {20, 5},
		"[power]":                          {20, 5},
		"[power]\nbegin = 0":               {0, 5},
		"[power]\npark = 0":                {20, 0},
		"[power]\nbegin = 0\npark = 0":     {0, 0},
		"[power]\nbegin = 0\npark = 100":   {0, 100},
		"[power]\nbegin = 6":               {6, 5},
		"[power]\npark = 99\nbegin = 100":  {100, 99},
		"[power]\nbegin = 1\npark = 0":     {1, 0},
		"[power]\nbegin = 0x1e\npark = 10": {30, 10},
	} {
		if got, err := powerOf(lines); err != nil || got != want {
			t.Errorf("%q: %+v, %v", lines, got, err)
		}
	}
	for lines, want := range map[string]string{
		"begin = 101":             "p.toml:8:9: begin cannot be 101 (from 0 to 100)",
		"park = -1":               "p.toml:8:8: park cannot be -1 (from 0 to 100)",
		"begin = \"20\"":          "p.toml:8:9: begin must be a whole number, not text (write it without quotes)",
		"begin = 20.5":            "p.toml:8:9: begin must be a whole number, not a decimal number",
		"begin = 20\npark = 20":   "p.toml:9:8: park is 20 and must be below begin, which is 20 (write a lower one, or 0 to mind that level never)",
		"park = 30\nbegin = 20":   "p.toml:8:8: park is 30 and must be below begin, which is 20 (write a lower one, or 0 to mind that level never)",
		"park = 20":               "p.toml:8:8: park is 20 and must be below begin, which is 20 (write a lower one, or 0 to mind that level never)",
		"begin = 5":               "p.toml:8:9: park is 5 and must be below begin, which is 5 (write a lower one, or 0 to mind that level never)",
		"begin = 101\npark = 102": "p.toml:9:8: park cannot be 102 (from 0 to 100)",
		"level = 3":               "p.toml:8:1: \"level\" is not known in [power]",
		"[box]\nbegin = 20":       "it belongs in [power]",
		"[[power]]\nbegin = 20":   "p.toml:8:",
	} {
		if _, err := powerOf("[power]\n" + lines); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %s", lines, err, want)
		}
	}
}
