package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"

	"golang.org/x/sys/unix"
)

// hostileNames are names that a card's file system can hold. Those that are
// fine stand for a name that a manifest can carry and every drive on Linux hold.
var hostileNames = map[string]bool{
	"<img src=x onerror=alert(1)>&amp;\"'.JPG": true,
	"two\nlines: RELEASE.JPG":                  true,
	"a\ttab.JPG":                               true,
	"\u202eGPJ.SKUA\u202c\u2066.JPG":           true,
	"\u200b\ufeff\u2028.JPG":                   true,
	"-rf":                                      true,
	"--to":                                     true,
	"$(reboot);`reboot`|reboot":                true,
	"%s%n%!d":                                  true,
	"..JPG":                                    true,
	"...":                                      true,
	".. ":                                      true,
	"..\\..\\etc\\shadow":                      true,
	"C:\\CON.JPG":                              true,
	" ":                                        true,
	"]]>":                                      true,
	"ascmhl.xml":                               true,
	".bothy":                                   true,
	"x.unfinished":                             true,
	strings.Repeat("n", 255):                   true,
	strings.Repeat("\u00e6", 127):              true,
	"\x1b[2J\x1b]0;RELEASE\x07.JPG":            false,
	"\x01\x02.JPG":                             false,
	"\xff\xfe.JPG":                             false,
	"\xc3\x28.JPG":                             false,
	"\xed\xa0\x80.JPG":                         false, // a surrogate on its own
	"\uffff.JPG":                               false,
}

// Failure catalogue, row 39. Names and kinds of entries that are made to hurt:
// what can be copied is, under the very same name; of the rest each is told, and
// the card is held; and what is told holds nothing that acts on a terminal.
func TestHostile_names(t *testing.T) {
	t.Parallel()
	base := memoryFolder(t)
	card, drive, outside := filepath.Join(base, "card"), filepath.Join(base, "drive"), filepath.Join(base, "outside")
	for _, dir := range []string{card, drive, outside} {
		if err := os.Mkdir(dir, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(outside+"/secret", []byte("a secret outside"), 0o600); err != nil {
		t.Fatal(err)
	}
	for name := range hostileNames {
		if err := os.WriteFile(card+"/"+name, []byte("content of "+name), 0o644); err != nil {
			t.Fatalf("%q: %v", name, err)
		}
	}
	kinds := oddEntries(t, card, outside)

	r := measured(t, "copy", card, "--to", drive)
	if r.code != 0 || !strings.Contains(r.out, "HOLD") {
		t.Errorf("code %d: %s%s", r.code, r.out, r.errs)
	}
	mustPrint(t, r.out)
	mustPrint(t, r.errs)
	copies, err := filepath.Glob(drive + "/*/*/ascmhl")
	if err != nil || len(copies) != 1 {
		t.Fatalf("copies: %v %v\n%s", copies, err, r.out)
	}
	folder := filepath.Dir(copies[0])
	for name, fine := range hostileNames {
		data, err := os.ReadFile(folder + "/" + name)
		if fine && (err != nil || string(data) != "content of "+name) {
			t.Errorf("%q is %q in the copy, %v", name, data, err)
		}
		if !fine && err == nil {
			t.Errorf("%q is in the copy", name)
		}
	}
	for _, name := range kinds {
		if _, err := os.Lstat(folder + "/" + name); err == nil {
			t.Errorf("%s is in the copy", name)
		}
		if !strings.Contains(r.out, name) {
			t.Errorf("nobody says that %s is in no copy", name)
		}
	}
	if v := measured(t, "verify", folder); v.code != 0 {
		t.Errorf("verify: code %d: %s%s", v.code, v.out, v.errs)
	}

	j := measured(t, "copy", card, "--to", drive, "--json")
	var result struct{ Verdict string }
	if err := json.Unmarshal([]byte(j.out), &result); err != nil || result.Verdict != "hold" {
		t.Errorf("--json: %v\n%s", err, j.out)
	}
	mustPrint(t, j.out)
}

// oddEntries puts what is no file into a folder.
func oddEntries(t *testing.T, card, outside string) []string {
	t.Helper()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	must(os.Symlink(outside, card+"/link-to-folder"))
	must(os.Symlink(outside+"/secret", card+"/link-to-file"))
	must(os.Symlink("link-to-itself", card+"/link-to-itself"))
	must(unix.Mkfifo(card+"/pipe", 0o644))
	must(unix.Mknod(card+"/socket", unix.S_IFSOCK|0o644, 0))
	kinds := []string{"link-to-folder", "link-to-file", "link-to-itself", "pipe", "socket"}
	if os.Getuid() == 0 {
		must(unix.Mknod(card+"/device", unix.S_IFCHR|0o644, int(unix.Mkdev(1, 5)))) // endless zeros, were it opened
		kinds = append(kinds, "device")
	}
	return kinds
}

// mustPrint fails unless text is lines of printable characters.
func mustPrint(t *testing.T, text string) {
	t.Helper()
	if !utf8.ValidString(text) {
		t.Errorf("it is not UTF-8: %q", text)
	}
	for _, r := range text {
		if r != '\n' && !unicode.IsPrint(r) {
			t.Errorf("it holds %U: %q", r, text)
			return
		}
	}
}
