package stories

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"

	"bothy/testdata/oracle"
	"bothy/testdata/testbed"
)

// judge holds what is on the drives, by their images, against all claims made
// before; of each drive that can be read it tells somebody. Where one cannot be,
// nobody can say whether a release was founded: unreadable has judged of that.
func (c *chain) judge(when string, images map[string]string, told func(id string, d oracle.Drive)) {
	c.t.Helper()
	j := oracle.Judge{Copies: 2, Cards: map[string]oracle.Tree{cardLabel: c.rig.tree}}
	claims := claimsOf(c.said, aRelease)
	for _, id := range []string{driveA, driveB} {
		d, err := c.extract(id, images[id])
		if err != nil {
			claims = nil
			c.unreadable(id, err)
			continue
		}
		j.Drives = append(j.Drives, d)
		told(id, d)
		c.judgeCopies(d)
	}
	for _, v := range j.Violations(claims) {
		c.wrong("%s: %s", when, v)
	}
}

// judgeCut looks at what the cut left, before the box can mend anything.
func (c *chain) judgeCut() {
	c.t.Helper()
	c.ledgerSays()
	c.judge("after the cut", c.now, func(string, oracle.Drive) {})
}

// judgeEnd looks at what the box has made of it.
func (c *chain) judgeEnd() {
	c.t.Helper()
	c.judge("in the end", c.work, func(id string, d oracle.Drive) {
		if folders := d.Now.Finished(); len(folders) > 1 {
			c.remark("%s holds %d finished copies: %v", driveName(id), len(folders), folders)
		}
		left, _ := filepath.Glob(filepath.Join(c.dir, "judged-"+id, "20*", "*.unfinished"))
		if len(left) > 1 { // one is not ours
			c.remark("%s holds unfinished folders: %v", driveName(id), left)
		}
	})
}

// unreadable: a torn write may be more than a file system stands, and is its own
// limit then. Without one, a drive with a proven copy can be read.
func (c *chain) unreadable(id string, err error) {
	c.remark("%s (%s) cannot be read here: %s", driveName(id), c.fs[id], firstLine(err))
	if !c.torn[id] && slices.ContainsFunc(c.said, func(s Said) bool { return s.Drive == driveName(id) }) {
		c.wrong("%s held a copy that was called proven, and cannot be read any more: %v", driveName(id), err)
	}
}

// judgeCopies: each copy on the drive that was called proven stands there.
func (c *chain) judgeCopies(d oracle.Drive) {
	claims := claimsOf(c.said, func(s Said) bool { return s.Drive == d.Name })
	j := oracle.Judge{Copies: 1, Cards: map[string]oracle.Tree{cardLabel: c.rig.tree}, Drives: []oracle.Drive{d}}
	known := j.Violations(nil)
	for _, v := range j.Violations(claims) {
		if !slices.Contains(known, v) { // those are told once, for all drives together
			c.wrong("%s", v)
		}
	}
}

// extract takes a drive's image apart.
func (c *chain) extract(id, image string) (oracle.Drive, error) {
	dir := filepath.Join(c.dir, "judged-"+id)
	if err := os.RemoveAll(dir); err != nil {
		return oracle.Drive{}, err
	}
	d := oracle.Drive{Name: driveName(id), Disk: id, Before: c.rig.before[c.first[id]]}
	repaired, err := testbed.TryExtract(c.fs[id], image, dir)
	if repaired {
		c.remark("%s (%s) was read after a repair", driveName(id), c.fs[id])
	}
	if err == nil {
		d.Now, err = oracle.Take(os.DirFS(dir))
	}
	return d, err
}

func firstLine(err error) string {
	line, _, _ := strings.Cut(err.Error(), "\n")
	return line
}

// ledgerSays takes the ledger's word for proven copies as a claim like others.
// SQLite's own program reads it.
func (c *chain) ledgerSays() {
	dir := filepath.Join(c.dir, "judged-state")
	os.RemoveAll(dir)
	if _, err := testbed.TryExtract(testbed.Ext4, c.now[stateDisk], dir); err != nil {
		c.remark("after the cut the state disk cannot be read here: %s", firstLine(err))
		return
	}
	file := filepath.Join(dir, "ledger.db")
	if _, err := os.Stat(file); err != nil {
		return // the power failed before there was one
	}
	out, err := exec.Command("sqlite3", "-readonly", file,
		`SELECT d.name || '|' || o.card_label FROM copies c JOIN drives d USING (drive_no) JOIN offloads o ON o.seq = c.offload_seq WHERE c.status = 'proven'`).CombinedOutput()
	if err != nil {
		c.remark("after the cut sqlite3 cannot read the ledger: %v: %s", err, out)
		return
	}
	for line := range strings.Lines(string(out)) {
		drive, card, _ := strings.Cut(strings.TrimSpace(line), "|")
		c.said = append(c.said, Said{Window: "ledger", Card: card, Drive: drive, When: fmt.Sprintf("after cut %d", len(c.cuts))})
	}
}
