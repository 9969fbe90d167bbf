package pace

import "bothy/daemon/state"

// stepDrive lets one drive write, read back and come to its end.
func (m *simulation) stepDrive(d *driveNow) {
	if d.fails > 0 && m.now >= d.fails && !d.phase.Final() {
		d.phase = state.CopyFailed
	}
	if d.phase == state.CopyFinishing {
		if d.closeLeft -= simStep; d.closeLeft <= 0 {
			d.phase, d.ended = state.CopyProven, m.now+simStep
			if m.noProof {
				d.phase = state.CopyUnproven
			}
		}
		return
	}
	if !d.follows() {
		return
	}
	share := 1.0
	if d.shared && d.write.file < len(d.todo) && d.mayProve() && d.backlog > 0 {
		share = 0.5
	}
	m.write(d, share)
	m.prove(d, share)
	if d.write.file < len(d.todo) || len(d.queue) > 0 || len(d.missing) > 0 && !m.noProof {
		return
	}
	if m.twice { // the whole card has to be read again first
		return
	}
	d.phase = state.CopyFinishing
}

func (d *driveNow) mayProve() bool {
	return len(d.queue) > 0 && (!d.after || d.write.file >= len(d.todo))
}

func (m *simulation) write(d *driveNow, share float64) {
	budget := d.simDrive.write * share * simStep
	if d.swallowed > 0 {
		budget = max(budget, d.swallowed)
	}
	for d.write.file < len(d.todo) {
		file := d.todo[d.write.file]
		n := min(budget, d.backlog, float64(m.files[file])-d.write.at)
		d.write.at, budget, d.written, d.backlog = d.write.at+n, budget-n, d.written+n, d.backlog-n
		d.swallowed = max(d.swallowed-n, 0)
		if d.write.at < float64(m.files[file])-0.01 {
			return
		}
		d.write = cursor{file: d.write.file + 1}
		d.queue = append(d.queue, file)
	}
}

func (m *simulation) prove(d *driveNow, share float64) {
	budget := d.readBack * share * simStep
	for d.mayProve() && budget > 0 {
		if d.phase == state.CopyCopying {
			d.phase = state.CopyProving
		}
		file := d.queue[0]
		size := float64(m.files[file])
		if m.noProof {
			d.proven, d.queue = d.proven+size, d.queue[1:]
			continue
		}
		n := min(budget, size-d.prove.at)
		d.prove.at, d.back, budget = d.prove.at+n, d.back+n, budget-n
		if d.prove.at < size {
			return
		}
		d.prove.at, d.queue = 0, d.queue[1:]
		if d.spoils[file] && d.pass == 0 {
			d.missing = append(d.missing, file)
			continue
		}
		d.proven += size
		if d.pass > 0 {
			d.missing = d.missing[1:]
		}
	}
}
