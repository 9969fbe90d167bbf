package pace

import (
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"bothy/daemon/state"
)

// A simulation of a card and drives, against which the estimates are judged. It
// shares nothing with the estimator but the types of its input: it moves bytes
// in small steps of time, file by file, and so knows how it ends.
//
// What it imitates is written down here once: the card is read once for all
// drives through a bounded ring; a file is read back when it is flushed, or
// after the last write; the last steps of a copy take a time of their own.

// shape is one card and its drives.
type shape struct {
	files     []int64
	heldFiles int     // the first ones are held by every drive
	cardRate  float64 // bytes per second
	perFile   float64 // seconds that each file costs beside its bytes
	needed    int
	noProof   bool
	twice     bool
	drives    []simDrive

	wobble  float64 // the card's speed varies by so much of itself
	stall   [2]float64
	swallow float64 // bytes that each drive's cache takes at any speed at first
	random  *rand.Rand
}

type simDrive struct {
	write, readBack float64 // bytes per second
	shared          bool    // writing and reading back share the way to it
	after           bool
	closing         float64      // seconds of the last steps
	spoils          map[int]bool // files whose first writing does not agree when read back
	fails           float64      // the moment at which it is set aside; 0: never
}

// told is a look, and what the estimator said of it.
type told struct {
	look Look
	said Estimate
}

const (
	simStep  = 0.05 // seconds
	simRing  = 24 << 20
	simLooks = 5      // steps
	maxSteps = 60_000 // of a simulation that comes to no end
)

type simulation struct {
	shape
	now      float64
	read     int64
	card     cursor
	order    []int // files that the card has to give
	again    bool
	drives   []*driveNow
	given    float64 // bytes
	finished bool
}

// cursor is a place in a list of files.
type cursor struct {
	file int
	at   float64 // bytes of it
	rest float64 // seconds of per-file cost still to pay
}

type driveNow struct {
	simDrive
	phase                 state.CopyPhase
	todo                  []int // files to write, in order
	write                 cursor
	backlog               float64 // bytes given by the card and not written
	written, back, proven float64
	queue                 []int // files to read back
	prove                 cursor
	held                  []int
	missing               []int
	pass                  int
	closeLeft             float64
	ended                 float64
	swallowed             float64
}

// total is all bytes of the shape.
func (s *shape) total() (n int64) {
	for _, f := range s.files {
		n += f
	}
	return n
}

func (s *shape) plan() Plan {
	p := Plan{Files: s.files, Needed: s.needed, NoProof: s.noProof, Twice: s.twice}
	for _, d := range s.drives {
		p.Copies = append(p.Copies, Copy{ReadBackAfter: d.after, Held: func(i int) bool { return i < s.heldFiles }})
	}
	return p
}

// play runs the whole offload and returns what was said at each look, and when
// the needed copies and each copy were there (NaN: never).
func play(s shape, said func(Look) Estimate) (looks []told, needed float64, each []float64) {
	m := &simulation{shape: s}
	for i := s.heldFiles; i < len(s.files); i++ {
		m.order = append(m.order, i)
	}
	m.card.rest = s.perFile
	for _, d := range s.drives {
		n := &driveNow{simDrive: d, phase: state.CopyCopying, closeLeft: d.closing, swallowed: s.swallow, ended: math.NaN()}
		n.todo = m.order
		for i := range s.heldFiles {
			n.held = append(n.held, i)
		}
		m.drives = append(m.drives, n)
	}
	for step := 0; !m.finished && step < maxSteps; step++ {
		if step%simLooks == 0 {
			l := m.look()
			looks = append(looks, told{l, said(l)})
		}
		m.step()
		m.now += simStep
	}
	l := m.look()
	looks = append(looks, told{l, said(l)})
	for _, d := range m.drives {
		each = append(each, d.ended)
	}
	ends := slices.DeleteFunc(slices.Clone(each), math.IsNaN)
	slices.Sort(ends)
	needed = math.NaN()
	if len(ends) >= s.needed {
		needed = ends[s.needed-1]
	}
	return looks, needed, each
}

func (m *simulation) look() Look {
	l := Look{At: time.Duration(m.now * float64(time.Second)), BytesRead: m.read}
	for _, d := range m.drives {
		l.Copies = append(l.Copies, CopyLook{Phase: d.phase, BytesWritten: int64(math.Round(d.written)), BytesReadBack: int64(math.Round(d.back)), BytesProven: int64(math.Round(d.proven))})
	}
	return l
}

// step lets simStep seconds pass.
func (m *simulation) step() {
	if m.stall[1] > 0 && m.now >= m.stall[0] && m.now < m.stall[0]+m.stall[1] {
		return
	}
	if !m.proveHeld() {
		return
	}
	m.readCard()
	done := true
	for _, d := range m.drives {
		m.stepDrive(d)
		done = done && d.phase.Final()
	}
	m.letGo()
	m.finished = done
}

// proveHeld reads back what an earlier run left; nothing is copied before.
func (m *simulation) proveHeld() bool {
	ready := true
	for _, d := range m.drives {
		budget := d.readBack * simStep
		for len(d.held) > 0 && budget > 0 {
			size := float64(m.files[d.held[0]])
			n := min(budget, size-d.prove.at)
			d.prove.at, d.back, budget = d.prove.at+n, d.back+n, budget-n
			if d.prove.at >= size {
				d.proven, d.prove.at, d.held = d.proven+size, 0, d.held[1:]
			}
		}
		ready = ready && len(d.held) == 0
	}
	return ready
}

// room is how much the ring still takes.
func (m *simulation) room() float64 {
	room := float64(simRing)
	for _, d := range m.drives {
		if d.follows() {
			room = min(room, simRing-d.backlog)
		}
	}
	return max(room, 0)
}

func (d *driveNow) follows() bool {
	return d.phase == state.CopyCopying || d.phase == state.CopyProving
}

// readCard reads as much as time and ring allow.
func (m *simulation) readCard() {
	rate := m.cardRate
	if m.wobble > 0 {
		rate *= 1 + m.wobble*(2*m.random.Float64()-1)
	}
	left, room := simStep, m.room()
	for m.card.file < len(m.order) && left > 0 && room > 0 {
		if m.card.rest > 0 {
			paid := min(m.card.rest, left)
			m.card.rest, left = m.card.rest-paid, left-paid
			continue
		}
		size := float64(m.files[m.order[m.card.file]])
		n := min(rate*left, room, size-m.card.at)
		m.card.at, left, room = m.card.at+n, left-n/rate, room-n
		for _, d := range m.drives {
			if !m.again && d.follows() && d.wants(m.order[m.card.file]) {
				d.backlog += n
			}
		}
		m.given += n
		m.read = int64(math.Round(m.given))
		if m.card.at >= size {
			m.card = cursor{file: m.card.file + 1, rest: m.perFile}
		}
	}
	if m.card.file >= len(m.order) {
		m.nextReading()
	}
}

func (d *driveNow) wants(file int) bool { return d.pass == 0 || slices.Contains(d.missing, file) }

// nextReading begins the next pass for what was thrown away, or, when as many
// drives as needed have proven what they got, the second reading.
func (m *simulation) nextReading() {
	var missing []int
	ready, busy := 0, 0
	for _, d := range m.drives {
		switch {
		case !d.follows():
		case len(d.queue) > 0 || d.write.file < len(d.todo):
			busy++
		default:
			ready++
			missing = append(missing, d.missing...)
		}
	}
	if busy > 0 && (ready < m.needed || len(missing) > 0) {
		return
	}
	switch {
	case len(missing) > 0:
		slices.Sort(missing)
		m.order, m.card = slices.Compact(missing), cursor{rest: m.perFile}
		for _, d := range m.drives {
			if d.follows() && len(d.missing) > 0 {
				d.pass, d.todo, d.write, d.phase = d.pass+1, d.missing, cursor{}, state.CopyCopying
			}
		}
	case m.twice && !m.again:
		m.again, m.card = true, cursor{rest: m.perFile}
		m.order = nil
		for i := range m.files {
			m.order = append(m.order, i)
		}
	default:
		m.twice = false
	}
}

// letGo parts with a drive that does not keep up, as long as enough others do,
// and takes it up again when the needed copies are there.
func (m *simulation) letGo() {
	following, there := 0, 0
	var slowest *driveNow
	for _, d := range m.drives {
		if d.phase == state.CopyProven {
			there++
		}
		if d.follows() || d.phase == state.CopyFinishing {
			following++
		}
		if d.follows() {
			if d.write.file < len(d.todo) && (slowest == nil || d.backlog > slowest.backlog) {
				slowest = d
			}
		}
	}
	if slowest != nil && following+there > m.needed && slowest.backlog > simRing*0.8 {
		slowest.phase, slowest.backlog = state.CopyBehind, 0
	}
	if there >= m.needed || following == 0 {
		for _, d := range m.drives {
			if d.phase == state.CopyBehind {
				d.phase, d.backlog = state.CopyCopying, math.Inf(1) // from another drive
			}
		}
	}
}
