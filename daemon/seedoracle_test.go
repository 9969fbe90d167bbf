package daemon

import (
	"bytes"
	"fmt"
	"path"
	"slices"
	"strings"

	"bothy/daemon/offload"
	"bothy/daemon/state"
)

// notify is told after each State was published, on the supervisor's goroutine.
// What a State says is judged at that moment.
func (l *seedLife) notify(line string) {
	if l.dead.Load() || !strings.HasPrefix(line, "STATUS=") {
		return
	}
	st, _ := l.s.publisher.Current()
	l.last.Store(st)
	l.w.mu.Lock()
	l.w.examineLocked(l, st)
	l.w.examinePowerLocked(l, st)
	l.w.mu.Unlock()
	l.w.happens("state", nil)
}

// examinePowerLocked: while the battery is low nothing is begun, and what is parked
// has ended before it is begun again.
func (w *seedWorld) examinePowerLocked(l *seedLife, st *state.State) {
	low := st.Power.Level != state.Powered
	for _, j := range l.s.running {
		if low && !slices.Contains(l.jobs, j) {
			w.foulLocked("a card's job is begun at %d %% (%s)", st.Power.Percent, st.Power.Level)
		}
		if j.parked {
			w.sawLocked("work was parked in mid-copy")
		}
	}
	if e := l.s.errands.running; low && e != nil && e != l.errand {
		w.foulLocked("an errand is begun at %d %% (%s)", st.Power.Percent, st.Power.Level)
	}
	l.jobs, l.errand = slices.Clone(l.s.running), l.s.errands.running
}

func (w *seedWorld) examineLocked(l *seedLife, st *state.State) {
	for i, c := range st.Cards {
		if c.Phase != state.CardDecided {
			continue
		}
		if c.Verdict == state.Hold {
			w.sawLocked("a hold")
			if strings.TrimSpace(c.Reason) == "" {
				w.foulLocked("%s is held and nobody says why", c.Label)
			}
			continue
		}
		at := w.stayLocked(l.s.cards[i].dev.Name, l.s.cards[i].dev.DiskSeq)
		key := fmt.Sprintf("%p of %d: %d", at, l.n, st.Box.Copies)
		if at == nil || w.judged[key] {
			continue
		}
		w.judged[key] = true
		w.releases++
		w.sawLocked("a release")
		if l.busy() {
			w.sawLocked("a release while slower drives were at work")
		}
		w.logLocked("card %d (filling %d) is released: %s", at.card.n, at.fill.n, c.Reason)
		if why := w.unfoundedLocked(at.fill, st.Box.Copies); why != "" {
			w.foulLocked("card %d is released (%s), and %s", at.card.n, c.Reason, why)
		}
	}
	for _, d := range l.s.drives {
		w.examineLightLocked(l, st, d)
	}
}

func (w *seedWorld) stayLocked(name string, seq uint64) *stay {
	for _, st := range w.stays {
		if st.boot == w.boot && st.name == name && st.seq == seq {
			return st
		}
	}
	return nil
}

// examineLightLocked: a drive that may be pulled is flushed and unmounted.
func (w *seedWorld) examineLightLocked(l *seedLife, st *state.State, d *drive) {
	i := slices.IndexFunc(st.Drives, func(s state.Drive) bool { return s.Device == d.dev.Name && s.Attached })
	if i < 0 || st.Drives[i].InUse || st.Drives[i].Failing || st.Drives[i].Refused {
		return
	}
	at := w.stayLocked(d.dev.Name, d.dev.DiskSeq)
	if at == nil || at.out {
		return
	}
	if at.mounts > 0 {
		w.foulLocked("drive %d may be pulled, and is mounted %d times", at.drive.n, at.mounts)
	}
}

// unfoundedLocked says why a release would be wrong, or nothing. It counts what
// a power cut would leave now.
func (w *seedWorld) unfoundedLocked(f *fill, copies int) string {
	if len(f.files) == 0 {
		return "it holds nothing"
	}
	on := map[string]map[int]bool{} // file to physical disks
	for _, d := range w.drives {
		for name, data := range w.standsLocked(d) {
			if want, ok := f.files[name]; ok && slices.ContainsFunc(data, func(have []byte) bool { return bytes.Equal(have, want) }) {
				if on[name] == nil {
					on[name] = map[int]bool{}
				}
				on[name][d.body] = true
			}
		}
	}
	for name := range f.files {
		if len(on[name]) < copies {
			return fmt.Sprintf("%q stands on %d disks of %d", name, len(on[name]), copies)
		}
	}
	return ""
}

// standsLocked are the files in sound finished copies on a drive. One that lies
// about flushing is believed: nobody could know.
func (w *seedWorld) standsLocked(d *seedDrive) map[string][][]byte {
	all := map[string][][]byte{}
	s := d.store
	s.mu.Lock()
	defer s.mu.Unlock()
	for name := range d.claims {
		n := s.at(name, !s.liar)
		if n == nil {
			continue
		}
		v, known := w.sound[n]
		tree := n.tree(!s.liar)
		if !known {
			v = judgeFolder(tree, w.fills, true)
		}
		if v.why != "" {
			continue
		}
		w.sound[n] = v
		for file, data := range tree {
			all[file] = append(all[file], data)
		}
	}
	if s.liar {
		for file, data := range d.ever {
			all[file] = append(all[file], data...)
		}
	}
	return all
}

// at finds a folder as it is, or as a cut would leave it.
func (s *store) at(name string, durable bool) *node {
	n := s.root
	for e := range strings.SplitSeq(name, "/") {
		if n = n.entries(durable)[e]; n == nil || !n.isDir() {
			return nil
		}
	}
	return n
}

// examineFinished looks at a copy at the very moment at which it gets its name.
func (w *seedWorld) examineFinished(f *driveFS, name string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	d := f.at.drive
	if f.store != d.store || f.life.dead.Load() {
		return // the drive is out; what is named there is lost
	}
	s := f.store
	s.mu.Lock()
	defer s.mu.Unlock()
	n := s.at(name, false)
	if n == nil {
		w.foulLocked("%s on drive %d has its name and is not there", name, d.n)
		return
	}
	incomplete := strings.HasSuffix(name, offload.IncompleteSuffix)
	if w.unread[fmt.Sprintf("%d:%s", d.n, strings.TrimSuffix(name, offload.IncompleteSuffix))] {
		w.sawLocked("a copy that nobody reads back")
		return
	}
	w.sawLocked(map[bool]string{true: "an incomplete copy", false: "a finished copy"}[incomplete])
	w.logLocked("%s on drive %d is finished", name, d.n)
	if v := judgeFolder(n.tree(false), w.fills, incomplete); v.why != "" {
		w.foulLocked("%s on drive %d calls itself finished, and %s", name, d.n, v.why)
	}
	if !s.liar {
		if why := volatile(n, name); why != "" {
			w.foulLocked("%s on drive %d calls itself finished, and a power cut would lose %s", name, d.n, why)
		}
	}
	// What an incomplete copy holds is proven and counts, once the rest stands
	// somewhere else.
	d.claims[name] = true
	if s.liar {
		for file, data := range n.tree(false) {
			d.ever[file] = append(d.ever[file], data)
		}
	}
}

// volatile names something below a folder that was not flushed.
func volatile(n *node, name string) string {
	if !n.isDir() {
		if !n.whole() {
			return "the bytes of " + name
		}
		return ""
	}
	for e, child := range n.live {
		if n.durable[e] != child {
			return "the name " + path.Join(name, e)
		}
		if why := volatile(child, path.Join(name, e)); why != "" {
			return why
		}
	}
	return ""
}

// examineLeftLocked looks at what a cut left of finished copies.
func (w *seedWorld) examineLeftLocked(d *seedDrive) {
	for name := range d.claims {
		if n := d.store.at(name, false); n != nil {
			if v := judgeFolder(n.tree(false), w.fills, true); v.why != "" {
				w.foulLocked("after a cut %s on drive %d calls itself finished, and %s", name, d.n, v.why)
			}
		}
	}
}

// touch: the box takes away or renames something.
func (w *seedWorld) touch(f *driveFS, name string) {
	s := f.store
	s.mu.Lock()
	_, n, _ := s.find(name)
	foreign := false
	if n != nil {
		each(n, func(n *node) { foreign = foreign || n.foreign })
	}
	s.mu.Unlock()
	if foreign {
		w.foul("%q stood on drive %d before, and the box changes it", name, f.at.drive.n)
	}
}

// examineForeign: what stood on drives beforehand is as it was.
func (w *seedWorld) examineForeign() {
	w.mu.Lock()
	defer w.mu.Unlock()
	for key, was := range w.foreign {
		var number int
		at, name, _ := strings.Cut(key, ":")
		fmt.Sscan(at, &number)
		s := w.drives[number].store
		s.mu.Lock()
		s.eachOpen(s.refresh)
		_, n, err := s.find(name)
		s.mu.Unlock()
		if err != nil || !bytes.Equal(n.data, was.data) {
			w.foulLocked("%q stood on drive %d, and is lost or changed (%v)", name, number, err)
		}
	}
}
