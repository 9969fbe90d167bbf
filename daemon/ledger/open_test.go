package ledger

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

func TestOpenOrReplace_movesDamageAside(t *testing.T) {
	t.Parallel()
	data, said := reference(t)
	foreign := bytes.Clone(data)
	foreign[71] ^= 1 // application_id
	for _, test := range []struct {
		name  string
		put   func(path string) error
		moved []string // beside the new ledger
	}{
		{"a flipped bit", func(path string) error { return os.WriteFile(path, flip(data, 4096), 0o600) },
			[]string{"ledger.db.damaged-1"}},
		{"another program's database", func(path string) error { return os.WriteFile(path, foreign, 0o600) },
			[]string{"ledger.db.damaged-1"}},
		{"no database", func(path string) error { return os.WriteFile(path, []byte("seabirds"), 0o600) },
			[]string{"ledger.db.damaged-1"}},
		{"an empty file", func(path string) error { return os.WriteFile(path, nil, 0o600) },
			[]string{"ledger.db.damaged-1"}},
		{"a folder", func(path string) error { return os.MkdirAll(filepath.Join(path, "in"), 0o700) },
			[]string{"ledger.db.damaged-1"}},
		{"a log without its database", func(path string) error { return os.WriteFile(path+"-wal", []byte("log"), 0o600) },
			[]string{"ledger.db.damaged-1-wal"}},
		{"for the second time", func(path string) error {
			return errors.Join(os.WriteFile(path+".damaged-1-wal", nil, 0o600), os.WriteFile(path, data[:9000], 0o600))
		}, []string{"ledger.db.damaged-1-wal", "ledger.db.damaged-2"}},
	} {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			dir := t.TempDir()
			path := filepath.Join(dir, "ledger.db")
			must(t, test.put(path))
			before, _ := os.ReadFile(path)
			if _, err := Open(t.Context(), path); !errors.Is(err, ErrDamaged) {
				t.Errorf("Open: %v, want ErrDamaged", err)
			}
			l, aside, err := OpenOrReplace(t.Context(), path)
			must(t, err)
			offloads, err := l.Offloads(t.Context(), 0)
			must(t, err)
			if len(offloads) != 0 || l.BoxID() == said.BoxID || len(l.BoxID()) != 8 {
				t.Errorf("the new ledger of box %q has %d offloads", l.BoxID(), len(offloads))
			}
			must(t, l.Close())
			names := namesIn(t, dir)
			for _, name := range append([]string{"ledger.db"}, test.moved...) {
				if !slices.Contains(names, name) {
					t.Errorf("%s is missing in %q", name, names)
				}
			}
			for _, name := range names {
				if name != "ledger.db" && !strings.HasPrefix(name, "ledger.db.damaged-") {
					t.Errorf("%s is left in %q", name, names)
				}
			}
			if after, _ := os.ReadFile(aside); !bytes.Equal(before, after) {
				t.Errorf("%s is not what was damaged", aside)
			}
		})
	}
}

func flip(data []byte, i int) []byte {
	data = bytes.Clone(data)
	data[i] ^= 0x10
	return data
}

func TestOpenOrReplace_whole(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "ledger.db")
	must(t, os.WriteFile(path+newMark+"left", nil, 0o600), os.Mkdir(path+snapshotMark+"left", 0o700))
	l, aside, err := OpenOrReplace(t.Context(), path)
	must(t, err)
	id := l.BoxID()
	must(t, l.Close())
	l, again, err := OpenOrReplace(t.Context(), path)
	must(t, err)
	defer func() { must(t, l.Close()) }()
	if aside+again != "" || l.BoxID() != id {
		t.Errorf("a whole ledger was replaced: %q %q", aside, again)
	}
	for _, name := range namesIn(t, filepath.Dir(path)) {
		if strings.HasSuffix(name, "left") {
			t.Errorf("%s is still there", name)
		}
	}
}
