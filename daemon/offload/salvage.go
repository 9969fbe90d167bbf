package offload

import (
	"context"
	"errors"
	"fmt"
	"path"
	"slices"
	"strings"
	"unicode/utf8"

	"bothy/daemon/state"
)

// salvage is what became of a file that the card did not give in one go. The
// file itself is then out of reach; what was saved stands beside its place,
// under a name that says so, as a file that is written, read back and proven
// like any other, and that no verdict counts.
type salvage struct {
	of      *file
	as      *file // nil: nothing of it could be saved
	missing []state.ByteRange
	spool   *spool // has it while its drive lives and is not finished
}

// salvageAll deals with the files whose reading failed in this pass, after all
// others are read.
func (c *cardReader) salvageAll(ctx context.Context) error {
	for _, s := range c.run.salvaged() { // in an earlier pass, and a drive lacks it still
		if s.as == nil || s.spool == nil {
			continue
		}
		if to := c.takers(s.as); len(to) > 0 {
			if err := c.giveSpool(ctx, s.spool, s.as, s.missing, to); err != nil && !errors.Is(err, errSpool) {
				return err
			}
		}
	}
	for _, f := range c.broken {
		// Half a manifest is of no use, and a whole file of more than a half.
		if f.InHistory || c.run.provenSomewhere(f) {
			continue
		}
		if err := c.salvage(ctx, f); err != nil {
			return err
		}
	}
	if len(c.broken) == 0 {
		return nil
	}
	return c.confirmLater(ctx)
}

// salvage brings what can be read of a file to one drive, and from there to all.
// A drive that fails meanwhile is replaced by the next. The error is about the
// card, or a stop.
func (c *cardReader) salvage(ctx context.Context, f *file) error {
	for _, t := range c.run.spoolDrives(f) {
		err := c.salvageOn(ctx, f, t)
		if !errors.Is(err, errSpool) {
			return err
		}
		if !isFull(err) {
			t.fault(f, err, false)
		}
	}
	why, _ := c.run.unreadReason(f.Path)
	c.run.unreadable(f, fmt.Errorf("%s; no drive has room, besides that for the copy, to salvage it", why))
	return nil
}

// salvageOn does so by way of one drive. The error may be errSpool.
func (c *cardReader) salvageOn(ctx context.Context, f *file, t *target) error {
	src, err := c.open(f)
	if err != nil {
		return c.judge(ctx, f, err)
	}
	defer src.Close()
	spool, err := t.newSpool(f.SizeBytes)
	if err != nil {
		return err
	}
	defer spool.giveUp()
	t.spoolBytes += f.SizeBytes
	failures := 0
	got := rescue{src: src, size: f.SizeBytes, left: c.run.allowance, keep: spool.keep, failed: func(error) error {
		if failures++; c.waits < maxWaits || failures%16 == 0 {
			return c.cardGone(ctx)
		}
		return c.check()
	}}
	if err := got.run(ctx); err != nil {
		return err
	}
	if err := c.confirm(); err != nil { // what was read is of this card
		return err
	}
	if bytesOf(got.missing) == f.SizeBytes {
		c.run.noteSalvage(&salvage{of: f, missing: got.missing})
		return nil
	}
	if err := spool.seal(); err != nil {
		return err
	}
	if got.whole { // the fault was a passing one, and this is one good reading
		if err := c.giveSpool(ctx, spool, f, nil, c.takers(f)); err != nil {
			return err
		}
		c.run.readable(f)
		return nil
	}
	s := &salvage{of: f, as: c.run.salvagedFile(f), missing: got.missing, spool: spool}
	c.run.noteSalvage(s)
	if err := c.giveSpool(ctx, spool, s.as, s.missing, c.takers(s.as)); err != nil {
		c.run.forgetSalvage(s)
		return err
	}
	return nil
}

// giveSpool streams what was salvaged as if the card gave it.
func (c *cardReader) giveSpool(ctx context.Context, s *spool, as *file, missing []state.ByteRange, to []consumer) error {
	src, err := s.open(missing)
	if err != nil {
		return err
	}
	defer src.Close()
	r := newReading(as, len(c.hashes), false)
	if err := c.give(ctx, src, r, to); err != nil {
		return err
	}
	c.provisional = append(c.provisional, r)
	return c.settle()
}

// spoolDrives are the drives that may hold what is salvaged of a file for the
// time being, those first that seeking does not hurt.
func (r *run) spoolDrives(f *file) (list []*target) {
	var full []*target
	for _, t := range r.live() {
		switch {
		case !t.isPrepared() || t.stands(f) != reading_ || t.spareBytes < f.SizeBytes:
		case t.spareBytes-t.spoolBytes < f.SizeBytes:
			full = append(full, t)
		default:
			list = append(list, t)
		}
	}
	if len(list) == 0 { // whoever got the earlier ones can do without these
		for _, t := range full {
			if t.patiently(func() error { _, err := t.dropAside(); return err }, func() {}) == nil {
				t.spoolBytes = 0
				list = append(list, t)
			}
		}
	}
	slices.SortStableFunc(list, func(a, b *target) int {
		switch {
		case a.drive.ReadBackAfter == b.drive.ReadBackAfter:
			return 0
		case b.drive.ReadBackAfter:
			return -1
		}
		return 1
	})
	return list
}

func (r *run) provenSomewhere(f *file) bool {
	return slices.ContainsFunc(r.targets, func(t *target) bool { return t.stands(f) == proven })
}

// slots is how many entries a list by file index has: behind each file of the
// card there is room for what is salvaged of it.
func (r *run) slots() int { return 2 * len(r.files) }

// salvagedFile is the file that is to hold what was saved of another.
func (r *run) salvagedFile(f *file) *file {
	return &file{
		Entry: &Entry{Path: r.salvagedName(f.Path), SizeBytes: f.SizeBytes, ModTime: f.ModTime},
		index: len(r.files) + f.index, salvaged: true,
	}
}

// salvagedName is a name that neither the card has nor another salvaged file,
// also where case does not count.
func (r *run) salvagedName(name string) string {
	taken := map[string]bool{}
	take := func(name string) {
		if upper := strings.ToUpper(name); strings.Contains(upper, strings.ToUpper(SalvageSuffix)) {
			taken[upper] = true
		}
	}
	for _, d := range r.job.Plan.Dirs {
		take(d.Path)
	}
	for _, f := range r.all() {
		take(f.Path)
	}
	const longest = 255 // bytes, and UTF-16 units cannot be more
	for n := 1; ; n++ {
		suffix := SalvageSuffix
		if n > 1 {
			suffix = fmt.Sprintf("%s-%d", SalvageSuffix, n)
		}
		base := path.Base(name)
		for len(base)+len(suffix) > longest {
			_, size := utf8.DecodeLastRuneInString(base)
			base = base[:len(base)-size]
		}
		if made := join(path.Dir(name), base+suffix); !taken[strings.ToUpper(made)] {
			return made
		}
	}
}

// noteSalvage takes note of a salvage. Each drive that can still get the file
// that was saved is to have it.
func (r *run) noteSalvage(s *salvage) {
	r.mu.Lock()
	r.salvage[s.of.index] = s
	r.mu.Unlock()
	if s.as == nil {
		return
	}
	for _, t := range r.live() {
		switch t.stands(s.of) {
		case reading_:
			t.restand(s.as, reading_)
		case missing:
			t.restand(s.as, missing)
		}
	}
}

// forgetSalvage takes a salvage back whose drive did not keep it.
func (r *run) forgetSalvage(s *salvage) {
	for _, t := range r.targets {
		t.restand(s.as, unwanted)
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	delete(r.salvage, s.of.index)
}

// salvaged are the salvages in the card's order.
func (r *run) salvaged() []*salvage {
	r.mu.Lock()
	defer r.mu.Unlock()
	list := make([]*salvage, 0, len(r.salvage))
	for _, s := range r.salvage {
		list = append(list, s)
	}
	slices.SortFunc(list, func(a, b *salvage) int { return a.of.index - b.of.index })
	return list
}

// all are the card's files, and behind each what was salvaged of it.
func (r *run) all() []*file {
	salvages := r.salvaged()
	if len(salvages) == 0 {
		return r.files
	}
	list := make([]*file, 0, len(r.files)+len(salvages))
	for _, f := range r.files {
		list = append(list, f)
		if len(salvages) > 0 && salvages[0].of == f {
			if as := salvages[0].as; as != nil {
				list = append(list, as)
			}
			salvages = salvages[1:]
		}
	}
	return list
}

// salvages says what is missing, bounded.
func (r *run) salvages() []state.Salvage {
	var list []state.Salvage
	for _, s := range r.salvaged() {
		said := state.Salvage{Path: s.of.Path, SizeBytes: s.of.SizeBytes, MissingBytes: bytesOf(s.missing), Missing: s.missing}
		if s.as != nil {
			said.As = s.as.Path
		}
		list = append(list, said)
	}
	return state.BoundSalvages(list)
}

// lacks says why a copy is incomplete: so many files are out of reach, and so
// many were read too seldom.
func (r *run) lacks(unreachable, unsure int) error {
	var said []string
	n := unreachable + unsure
	if salvages := r.salvaged(); len(salvages) > 0 {
		n -= len(salvages)
		said = append(said, state.SalvageSummary(r.salvages()))
	}
	if n > 0 {
		said = append(said, state.Count(n, "file")+" could not be read from the card as often as asked")
	}
	return errors.New(strings.Join(said, "; "))
}

// comment adds to a manifest's comment which bytes are missing.
func (r *run) comment(comment string) string {
	salvages := r.salvages()
	if len(salvages) == 0 {
		return comment
	}
	said := []string{state.SalvageSummary(salvages)}
	if comment != "" {
		said = append([]string{strings.TrimSuffix(comment, ".")}, said...)
	}
	for _, s := range salvages {
		said = append(said, s.String())
	}
	return strings.Join(said, ". ") + "."
}
