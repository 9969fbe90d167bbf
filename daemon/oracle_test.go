package daemon

import (
	"bytes"
	"context"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"bothy/daemon/mhl"
	"bothy/daemon/offload"
	"bothy/daemon/state"
)

// examine is the oracle. It runs on the supervisor's goroutine at the very
// moment at which a State is published, and believes only the bytes.
func (m *sim) examine(st *state.State) {
	m.examineDrives(st)
	for _, c := range st.Cards {
		m.mu.Lock()
		i := slices.IndexFunc(m.plugged, func(d *simMedium) bool { return d.name == c.Device })
		var medium *simMedium
		if i >= 0 {
			medium = m.plugged[i]
		}
		drives := slices.DeleteFunc(slices.Clone(m.media), func(d *simMedium) bool { return d.retired.Load() })
		m.mu.Unlock()
		if medium == nil {
			continue // pulled; the box is about to notice
		}
		claim := ""
		if c.Verdict == state.Release && c.Phase == state.CardDecided {
			claim = fmt.Sprintf("%s on %d", c.OffloadID, medium.seqNow())
		}
		if claim == "" || m.released[c.Device] == claim {
			m.released[c.Device] = claim
			continue
		}
		m.released[c.Device] = claim
		if why := unfounded(medium, drives, st.Box.Copies); why != "" {
			m.mu.Lock()
			m.foul = append(m.foul, fmt.Sprintf("%s is released (%s) and %s", c.Label, c.Reason, why))
			m.mu.Unlock()
		}
	}
}

// examineDrives: one that may be pulled is mounted no more. What was given up
// since it hangs shows no steady light.
func (m *sim) examineDrives(st *state.State) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, d := range st.Drives {
		if !d.Attached || d.InUse || d.Failing || d.Refused {
			continue
		}
		for _, medium := range m.plugged {
			if n := medium.mounts[medium.seq]; medium.name == d.Device && n > 0 {
				m.foul = append(m.foul, fmt.Sprintf("%s may be pulled, and is mounted %d times", d.Name, n))
			}
		}
	}
}

// unfounded says why a release would be wrong, or nothing.
func unfounded(card *simMedium, media []*simMedium, copies int) string {
	if len(card.files) == 0 {
		return "it holds nothing"
	}
	on := map[string]map[string]bool{} // file to physical disks
	for _, d := range media {
		if d == card {
			continue
		}
		for _, folder := range d.finished() {
			if !accepted(folder) {
				continue
			}
			for name, want := range card.files {
				got, err := os.ReadFile(filepath.Join(folder, name))
				if err != nil || !bytes.Equal(got, want) {
					continue
				}
				if on[name] == nil {
					on[name] = map[string]bool{}
				}
				on[name][d.body] = true
			}
		}
	}
	for name := range card.files {
		if len(on[name]) < copies {
			return fmt.Sprintf("%q stands on %d disks of %d", name, len(on[name]), copies)
		}
	}
	return ""
}

// accepted: somebody who has only the folder finds nothing wrong with it.
func accepted(folder string) bool {
	root, err := os.OpenRoot(folder)
	if err != nil {
		return false
	}
	defer root.Close()
	report, err := mhl.Verify(context.Background(), root, nil, nil)
	return err == nil && report.Proven()
}

// finished lists the folders on a drive that claim to be a copy.
func (d *simMedium) finished() []string { return d.folders(false) }

// unfinished lists those that do not.
func (d *simMedium) unfinished() []string { return d.folders(true) }

func (d *simMedium) folders(unfinished bool) (list []string) {
	filepath.WalkDir(d.dir, func(path string, e fs.DirEntry, err error) error {
		if err != nil || !e.IsDir() {
			return nil // what cannot be seen is no copy
		}
		if strings.HasSuffix(path, offload.UnfinishedSuffix) {
			if unfinished {
				list = append(list, path)
			}
			return fs.SkipDir
		}
		if _, err := os.Stat(filepath.Join(path, mhl.FolderName)); err == nil && !unfinished && path != d.dir {
			list = append(list, path)
			return fs.SkipDir
		}
		return nil
	})
	return list
}

// tree is all that a drive holds besides what is the box's own, by path.
func (d *simMedium) tree() map[string]string {
	all := map[string]string{}
	filepath.WalkDir(d.dir, func(path string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() && e.Name() == ownFolder {
			return fs.SkipDir
		}
		if e.Type().IsRegular() {
			if data, err := os.ReadFile(path); err == nil && !aReport(string(data)) {
				all[strings.TrimPrefix(path, d.dir+"/")] = string(data)
			}
		}
		return nil
	})
	return all
}

// aReport reports whether a file is the day's report of some box.
func aReport(text string) bool {
	return strings.HasPrefix(text, "<!DOCTYPE html>\n<!-- bothy report of box ") || strings.HasPrefix(text, "bothy_report_of_box,")
}

// holds reports whether any file on the drive has these bytes.
func (d *simMedium) holds(data []byte) bool {
	for _, have := range d.tree() {
		if have == string(data) {
			return true
		}
	}
	return false
}
