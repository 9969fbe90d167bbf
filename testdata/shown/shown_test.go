package shown

import (
	"fmt"
	"testing"
)

// Black on white is 21:1; #777777 on white, 4.48:1, is the usual example of a grey
// that just fails (from memory).
func TestContrast(t *testing.T) {
	t.Parallel()
	for over, want := range map[string]string{"#000000": "21.00", "777777": "4.48", "#ffffff": "1.00"} {
		if got, err := Contrast(over, "#ffffff"); err != nil || fmt.Sprintf("%.2f", got) != want {
			t.Errorf("%s on white: %.3f, want %s (%v)", over, got, want, err)
		}
	}
	for _, bad := range []string{"", "#12345", "white"} {
		if got, err := Contrast("#ffffff", bad); err == nil {
			t.Errorf("%q: %.2f", bad, got)
		}
	}
}

type reports int

func (r *reports) Errorf(string, ...any) { *r++ }

func TestMustPrint(t *testing.T) {
	t.Parallel()
	for s, want := range map[string]reports{"Skúgvur 🐦\n": 0, "a\tb": 1, "\u202ex": 1, "\xff": 1, "\r\n": 1} {
		var got reports
		if MustPrint(&got, "a page", s); got != want {
			t.Errorf("%q: %d complaints, want %d", s, got, want)
		}
	}
}
