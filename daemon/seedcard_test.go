package daemon

import (
	"io"
	"io/fs"
	"maps"
	"path"
	"slices"
	"sort"
	"time"

	"bothy/daemon/offload"
)

// seedCard is an invented card. It is filled anew now and then.
type seedCard struct {
	n     int
	label string
	uuid  string
	fill  *fill // guarded by seedWorld.mu
	at    *stay // guarded by seedWorld.mu; nil while it is out
	badly map[int]bool
}

// fill is what a card holds from one filling to the next. It is the original
// that the oracle goes by.
type fill struct {
	card  *seedCard
	n     int
	files map[string][]byte
	dirs  map[string]bool // also those that hold nothing
	shot  time.Time
}

func (f *fill) add(name string, data []byte) {
	f.files[name] = data
	for dir := path.Dir(name); dir != "."; dir = path.Dir(dir) {
		f.dirs[dir] = true
	}
}

func (f *fill) items(dir string) (items []offload.Item) {
	in := func(name string) bool { return path.Dir(name) == dir }
	for name, data := range f.files {
		if in(name) {
			items = append(items, offload.Item{Name: path.Base(name), SizeBytes: int64(len(data)), ModTime: f.shot})
		}
	}
	for name := range f.dirs {
		if in(name) {
			items = append(items, offload.Item{Name: path.Base(name), Mode: fs.ModeDir | 0o755, ModTime: f.shot})
		}
	}
	sort.Slice(items, func(i, j int) bool { return items[i].Name < items[j].Name })
	return items
}

// cardFS is a card as it is mounted. Any attempt to change something is a
// violation.
type cardFS struct {
	at   *stay
	life *seedLife
}

func (f *cardFS) do(op, name string) error { return f.life.call(f.at, op, name) }

func (f *cardFS) List(name string) ([]offload.Item, error) {
	if err := f.do("list", name); err != nil {
		return nil, err
	}
	return f.at.fill.items(name), nil
}

func (f *cardFS) Lstat(name string) (offload.Item, error) {
	if err := f.do("lstat", name); err != nil {
		return offload.Item{}, err
	}
	for _, item := range f.at.fill.items(path.Dir(name)) {
		if item.Name == path.Base(name) {
			return item, nil
		}
	}
	return offload.Item{}, missing(name)
}

func (f *cardFS) Open(name string) (offload.Source, error) {
	if err := f.do("open", name); err != nil {
		return nil, err
	}
	data, ok := f.at.fill.files[name]
	if !ok {
		return nil, missing(name)
	}
	return &cardSource{fs: f, name: name, size: int64(len(data))}, nil
}

func (f *cardFS) OpenMedium(name string) (offload.Source, error)  { return f.Open(name) }
func (f *cardFS) OpenGrowing(name string) (offload.Source, error) { return f.Open(name) }

type cardSource struct {
	fs   *cardFS
	name string
	size int64
}

func (s *cardSource) Size() int64  { return s.size }
func (s *cardSource) Close() error { return nil }

// ReadAt gives the bytes of whatever card is in the reader: an old mount goes
// on to answer, with the other card's bytes.
func (s *cardSource) ReadAt(p []byte, off int64) (int, error) {
	if err := s.fs.do("read", s.name); err != nil {
		return 0, err
	}
	data := s.fs.at.bytesOf(s.name)
	if off >= int64(len(data)) {
		return 0, io.EOF
	}
	n := copy(p, data[off:])
	if n < len(p) {
		return n, io.EOF
	}
	return n, nil
}

// bytesOf are those of a file, or what another card has in its place.
func (st *stay) bytesOf(name string) []byte {
	w := st.w
	w.mu.Lock()
	defer w.mu.Unlock()
	own := st.fill.files[name]
	if st.after == nil {
		return own
	}
	w.sawLocked("another card's bytes were read under an old listing")
	other := st.after.fill
	if data, ok := other.files[name]; ok {
		return sized(data, len(own))
	}
	for _, n := range slices.Sorted(maps.Keys(other.files)) {
		if data := other.files[n]; len(data) > 0 {
			return sized(data, len(own))
		}
	}
	return make([]byte, len(own))
}

// sized are bytes at the length that the old listing promised: a device goes on
// behind a file's end.
func sized(data []byte, n int) []byte {
	out := make([]byte, n)
	for at := 0; at < n && len(data) > 0; {
		at += copy(out[at:], data)
	}
	return out
}

func (f *cardFS) wrote(op, name string) error {
	f.life.w.foul("a card is written: %s %q on card %d", op, name, f.at.card.n)
	return fs.ErrPermission
}

func (f *cardFS) Create(name string, _ int64) (offload.Sink, error) {
	return nil, f.wrote("create", name)
}
func (f *cardFS) CreatePatchwork(name string) (offload.Patchwork, error) {
	return nil, f.wrote("create", name)
}
func (f *cardFS) Mkdir(name string) error                   { return f.wrote("make folder", name) }
func (f *cardFS) Rename(from, _ string) error               { return f.wrote("rename", from) }
func (f *cardFS) Remove(name string) error                  { return f.wrote("remove", name) }
func (f *cardFS) SetModTime(name string, _ time.Time) error { return f.wrote("set time of", name) }
func (f *cardFS) SyncDir(name string) error                 { return f.wrote("flush", name) }
func (f *cardFS) SyncAll() error                            { return f.wrote("flush", ".") }
