package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"strings"
	"testing"

	"golang.org/x/sys/unix"
)

func TestReport_exit_codes(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct {
		err  error
		code int
		says string
	}{
		"nothing wrong":      {nil, exitDone, ""},
		"told already":       {notAll(), exitNotAll, ""},
		"refused":            {refuse("look again", "copy: no such folder"), exitRefused, "bothy: copy: no such folder\nhint: look again\n"},
		"of work begun":      {advise(errors.New("drive gone"), "plug it in"), exitNotAll, "bothy: drive gone\nhint: plug it in\n"},
		"wrapped":            {fmt.Errorf("copy: %w", notAll()), exitNotAll, ""},
		"of the line itself": {errors.New(`unknown command "cpoy"`), exitRefused, "bothy: unknown command \"cpoy\"\nhint: 'bothy --help' lists the commands, 'bothy COMMAND --help' explains one\n"},
		"stopped":            {&failure{code: exitNotAll, err: fmt.Errorf("copy: %w", context.Canceled)}, exitNotAll, "bothy: stopped before the end\n"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			var b bytes.Buffer
			if got := report(&b, tc.err); got != tc.code {
				t.Errorf("exit code %d, want %d", got, tc.code)
			}
			if b.String() != tc.says {
				t.Errorf("said %q, want %q", b.String(), tc.says)
			}
		})
	}
}

// Every command explains itself, and its example calls that very command.
func TestCommands_have_help_with_an_example(t *testing.T) {
	t.Parallel()
	root := newRoot(console{out: io.Discard, err: io.Discard})
	for _, c := range manCommands(root) {
		if c.Short == "" || c.Long == "" {
			t.Errorf("%s: no explanation", c.Name())
		}
		if !strings.Contains(c.Example, "bothy "+c.Name()) && !strings.Contains(c.Example, "bothy") {
			t.Errorf("%s: no example", c.Name())
		}
		if c.Args == nil {
			t.Errorf("%s: arguments are not checked", c.Name())
		}
	}
}

func TestJournal_elsewhere_lines_carry_time(t *testing.T) {
	t.Parallel()
	var b bytes.Buffer
	newLogger(console{err: &b}).Info("ready")
	if !strings.HasPrefix(b.String(), slog.TimeKey+"=") || strings.Contains(b.String(), "<6>") {
		t.Errorf("got %q", b.String())
	}
}

func TestIsJournal_compares_the_stream(t *testing.T) {
	t.Parallel()
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	defer w.Close()
	var st unix.Stat_t
	if err := unix.Fstat(int(w.Fd()), &st); err != nil {
		t.Fatal(err)
	}
	this := fmt.Sprintf("%d:%d", st.Dev, st.Ino)
	for stream, want := range map[string]bool{this: true, "": false, "1:2": false, this + "0": false} {
		if got := isJournal(w, stream); got != want {
			t.Errorf("isJournal(%q) = %v", stream, got)
		}
	}
}

func TestGauge_plain_lines(t *testing.T) {
	t.Parallel()
	var b bytes.Buffer
	g := newGauge(console{err: &b, columns: 80})
	for _, done := range []int64{0, 5, 99, 100, 101, 999, 1000, 1000} {
		g.show("copying", done, 1000)
	}
	g.show("proving", 0, 0)
	g.clear()
	want := "copying: 0 % of 1.0 kB\ncopying: 10 % of 1.0 kB\ncopying: 90 % of 1.0 kB\ncopying: 100 % of 1.0 kB\nproving: 100 % of 0 B\n"
	if b.String() != want {
		t.Errorf("got\n%swant\n%s", b.String(), want)
	}
}

func TestGauge_bar_fits_the_terminal(t *testing.T) {
	t.Parallel()
	for _, columns := range []int{21, 40, 80, 300} {
		var b bytes.Buffer
		g := newGauge(console{err: &b, errTerminal: true, columns: columns})
		g.show("copy", 2_000_000_000, 4_000_000_000)
		line := strings.TrimSuffix(strings.TrimPrefix(b.String(), "\r"), "\x1b[K")
		if columns >= 40 && len(line) > columns-1 {
			t.Errorf("%d columns: a line of %d: %q", columns, len(line), line)
		}
		if !strings.Contains(line, " 50 %  2.0 GB of 4.0 GB") {
			t.Errorf("%d columns: %q", columns, line)
		}
		b.Reset()
		g.clear()
		g.clear()
		if b.String() != "\r\x1b[K" {
			t.Errorf("clearing wrote %q", b.String())
		}
	}
}

// What is beside the bar gives way where the terminal is narrow.
func TestGauge_notes(t *testing.T) {
	t.Parallel()
	left := "about 12 min left: 9 min of copying, 3 min of proof"
	for columns, want := range map[int]string{
		120: "copy [############............................]  30 %  86.4 MB/s  " + left,
		50:  "copy [#######..................]  30 %  86.4 MB/s",
		24:  "copy [###.......]  30 %",
	} {
		var b bytes.Buffer
		g := newGauge(console{err: &b, errTerminal: true, columns: columns})
		g.part("copy", 0.305, 1000, "86.4 MB/s", left)
		line := strings.TrimSuffix(strings.TrimPrefix(b.String(), "\r"), "\x1b[K")
		if line != want {
			t.Errorf("%d columns:\n got %q\nwant %q", columns, line, want)
		}
		if len(line) >= columns {
			t.Errorf("%d columns: a line of %d", columns, len(line))
		}
	}
	var b bytes.Buffer
	g := newGauge(console{err: &b, columns: 20})
	for _, done := range []float64{0, 0.05, 0.31, 1.5} {
		g.part("copy", done, 1000, "86.4 MB/s", left)
	}
	want := "copy: 0 % of 1.0 kB, 86.4 MB/s, LEFT\ncopy: 30 % of 1.0 kB, 86.4 MB/s, LEFT\ncopy: 100 % of 1.0 kB, 86.4 MB/s, LEFT\n"
	if got := strings.ReplaceAll(b.String(), left, "LEFT"); got != want {
		t.Errorf("got\n%swant\n%s", got, want)
	}
}

func TestPrintable_disarms(t *testing.T) {
	t.Parallel()
	for in, want := range map[string]string{
		"SKUA_01":            "SKUA_01",
		"Lundi Føroyar 海":    "Lundi Føroyar 海",
		"\x1b[2Jgone":        "?[2Jgone",
		"a\u202egpj.exe":     "a?gpj.exe",
		"line\nrelease: yes": "line?release: yes",
		"\xff\xfe":           "??",
	} {
		if got := printable(in); got != want {
			t.Errorf("printable(%q) = %q, want %q", in, got, want)
		}
	}
}

// Decimal prefixes as in IEC 80000-13: 1 kB = 1000 bytes.
func TestHumanBytes(t *testing.T) {
	t.Parallel()
	for in, want := range map[int64]string{
		0: "0 B", 999: "999 B", 1000: "1.0 kB", 999_949: "999.9 kB", 999_950: "1.0 MB",
		4_294_967_295: "4.3 GB", 1_000_000_000_000: "1.0 TB", 9_223_372_036_854_775_807: "9223.4 PB",
	} {
		if got := humanBytes(in); got != want {
			t.Errorf("humanBytes(%d) = %q, want %q", in, got, want)
		}
	}
}

func TestServiceDir(t *testing.T) {
	for value, want := range map[string]string{"": "/fallback", "/var/lib/a": "/var/lib/a", "/var/lib/a:/var/lib/b": "/var/lib/a"} {
		t.Setenv("STATE_DIRECTORY", value)
		if got := serviceDir("STATE_DIRECTORY", "/fallback"); got != want {
			t.Errorf("STATE_DIRECTORY=%q: %q, want %q", value, got, want)
		}
	}
}
