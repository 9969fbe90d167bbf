package offload

import (
	"errors"
	"fmt"
	"io/fs"
	"path"
	"strings"
)

// preflight finds out before the first byte what would go wrong with the last
// one: file sizes, names, room. What an earlier run left in the unfinished
// folder and this one cannot use is cleared away before room is measured.
func (t *target) preflight() error {
	r, d := t.run, t.drive
	need, err := r.measure(d)
	if err != nil {
		return err
	}
	if err := r.checkNames(d); err != nil {
		return err
	}
	if err := t.checkFolder(); err != nil {
		return err
	}
	free := d.FreeBytes - d.ReserveBytes
	if d.Resume {
		freed, err := t.clearStrays()
		if err != nil {
			return err
		}
		free += freed
	}
	if need > free {
		return &NoRoomError{NeedBytes: need, FreeBytes: max(free, 0), ReserveBytes: d.ReserveBytes}
	}
	t.spareBytes = free - need
	return nil
}

// NoRoomError refuses a drive before the first byte. It is ErrRefused and
// ErrDriveFull.
type NoRoomError struct {
	NeedBytes    int64 // for the copy and all that comes with it
	FreeBytes    int64 // above the reserve
	ReserveBytes int64
}

func (e *NoRoomError) Error() string {
	return fmt.Sprintf("%v: %v: %s are needed and %s are free above the reserve of %s", ErrRefused, ErrDriveFull,
		Bytes(e.NeedBytes), Bytes(e.FreeBytes), Bytes(e.ReserveBytes))
}

// Is makes it the errors that callers branch on.
func (e *NoRoomError) Is(target error) bool { return target == ErrRefused || target == ErrDriveFull }

// ShortBytes is how much has to be freed.
func (e *NoRoomError) ShortBytes() int64 { return e.NeedBytes - e.FreeBytes }

// manifestBytes is a generous guess at what one file adds to manifest,
// reports and ledger snapshot.
const manifestBytes = 1024

// blockBytes rounds sizes up as file systems do; large exFAT volumes use
// clusters of 128 KiB and more, but few small files.
const blockBytes = 32 << 10

func (r *run) measure(d *Drive) (need int64, err error) {
	for _, f := range r.files {
		if limit := d.Limits.MaxFileBytes; limit > 0 && f.SizeBytes > limit {
			return 0, fmt.Errorf("%w: %q has %s and %s holds no file above %s", ErrRefused,
				f.Path, Bytes(f.SizeBytes), fsName(d), Bytes(limit))
		}
	}
	return RoomFor(r.job.Plan, d.Held), nil
}

// RoomFor is how much a plan takes up on a drive where some of its files are held
// already.
func RoomFor(p *Plan, held map[string]Checksums) (needBytes int64) {
	for i := range p.Files {
		needBytes += manifestBytes
		if _, there := held[p.Files[i].Path]; !there {
			needBytes += (p.Files[i].SizeBytes + blockBytes - 1) / blockBytes * blockBytes
		}
	}
	return needBytes + int64(len(p.Dirs))*blockBytes + 4<<20
}

func fsName(d *Drive) string {
	if d.Limits.FSType == "" {
		return "the drive"
	}
	return "the drive's " + d.Limits.FSType
}

// checkNames refuses names that the drive cannot hold or cannot tell apart.
func (r *run) checkNames(d *Drive) error {
	checked := map[string]bool{}
	folded := map[string]string{}
	var check func(name string) error
	check = func(name string) error {
		if name == "." || checked[name] {
			return nil
		}
		if err := check(path.Dir(name)); err != nil {
			return err
		}
		checked[name] = true
		if err := d.Limits.CheckName(path.Base(name)); err != nil {
			return fmt.Errorf("%w: %q: %w", ErrRefused, name, err)
		}
		key := d.Limits.Fold(name)
		if other, ok := folded[key]; ok && other != name {
			return fmt.Errorf("%w: %s cannot tell %q from %q", ErrRefused, fsName(d), name, other)
		}
		folded[key] = name
		return nil
	}
	for _, dir := range r.job.Plan.Dirs {
		if err := check(dir.Path); err != nil {
			return err
		}
	}
	for _, f := range r.files {
		if err := check(f.Path); err != nil {
			return err
		}
	}
	return nil
}

// checkFolder makes sure that nothing stands where the copy will.
func (t *target) checkFolder() error {
	d := t.drive
	if err := t.checkAbove(); err != nil {
		return err
	}
	for _, name := range []string{d.Folder, d.Folder + IncompleteSuffix, d.Folder + UnfinishedSuffix} {
		if d.Resume && strings.HasSuffix(name, UnfinishedSuffix) {
			continue
		}
		_, err := t.lstat(name)
		if err == nil {
			return fmt.Errorf("%w: %q is there already", ErrRefused, name)
		}
		if !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("look for %q: %w", name, err)
		}
	}
	return nil
}

// Bytes prints an amount with a decimal unit (IEC 80000-13: 1 GB = 10^9 bytes).
func Bytes(n int64) string {
	units := []string{"bytes", "kB", "MB", "GB", "TB", "PB"}
	v, u := float64(n), 0
	for v >= 1000 && u < len(units)-1 {
		v, u = v/1000, u+1
	}
	if u == 0 {
		return fmt.Sprintf("%d bytes", n)
	}
	return fmt.Sprintf("%.1f %s", v, units[u])
}
