package main

import (
	"fmt"
	"strings"
)

// bug is one deliberate defect and the tests that must notice it.
type bug struct {
	name, what string
	edits      []edit
	pkg, run   string
}

// edit replaces one piece of a file.
type edit struct{ file, old, new string }

// apply changes the one place where the old text stands.
func (e edit) apply(text string) (string, error) {
	switch strings.Count(text, e.old) {
	case 1:
		return strings.Replace(text, e.old, e.new, 1), nil
	case 0:
		return "", fmt.Errorf("%s: %q is not there any more", e.file, e.old)
	default:
		return "", fmt.Errorf("%s: %q is there more than once", e.file, e.old)
	}
}

const (
	engine     = "./daemon/offload"
	supervisor = "./daemon"
)

var bugs = []bug{
	{
		name: "no fsync", what: "a file is read back and counted without having been flushed",
		edits: []edit{{"daemon/offload/write.go", "if err := w.stint.target.call(w.sink.Sync); err != nil {", "if err := error(nil); err != nil {"}},
		pkg:   engine, run: "TestRun_orderOfTheLastSteps|TestRun_readsNoFurtherThanFlushed|TestRun_failedFlush",
	},
	{
		name: "no directory fsync", what: "names are not durable when the copy gets its name",
		edits: []edit{{"daemon/offload/finish.go", "\tif err := t.call(func() error { return t.drive.FS.SyncDir(t.work) }); err != nil {\n\t\tt.run.flushFailures.Add(1)\n\t\treturn fmt.Errorf(\"flush folder %q: %w\", t.work, err)\n\t}\n\treturn nil", "\treturn nil"}},
		pkg:   engine, run: "TestRun_orderOfTheLastSteps",
	},
	{
		name: "no second fsync on FAT", what: "after the rename only the folder above is flushed",
		edits: []edit{{"daemon/offload/finish.go", "for _, dir := range []string{folder, path.Dir(folder)} {", "for _, dir := range []string{path.Dir(folder)} {"}},
		pkg:   engine, run: "TestRun_orderOfTheLastSteps",
	},
	{
		name: "read-back buffered", what: "what is read back comes from the page cache",
		edits: []edit{{"daemon/volume/direct.go", "d, err := prepareDirect(f)", "d, _, err := describe(f)"}},
		pkg:   "./daemon/volume", run: "TestOpenDirect_seesTheMediumNotTheCache",
	},
	{
		name: "read-back skipped", what: "a file counts as proven when it was written",
		edits: []edit{{"daemon/offload/prove.go", "if t.run.job.Verify == VerifySize {\n\t\terr = t.call", "if t.run.job.Verify != \"\" {\n\t\terr = t.call"}, {"daemon/offload/prove.go", "if p.target.run.job.Verify == VerifySize {\n\t\treturn nil", "if p.target.run.job.Verify != \"\" {\n\t\treturn nil"}},
		pkg:   engine, run: "TestRun_readsBackFromTheMedium",
	},
	{
		name: "no second look", what: "a drive that is smaller than it says is not looked at again",
		edits: []edit{{"daemon/offload/finish.go", "if t.run.job.Verify != VerifySize {\n\t\tif err := t.secondLook(ctx)", "if t.run.job.Verify == \"never\" {\n\t\tif err := t.secondLook(ctx)"}},
		pkg:   engine, run: "TestRun_secondLook",
	},
	{
		name: "release before rename", what: "a copy is noted as finished before it has its name",
		edits: []edit{{"daemon/offload/finish.go", "if err := t.call(func() error { return t.drive.FS.Rename(t.work, final) }); err != nil {",
			"t.note(func(rec Recorder) error { return rec.Finished(context.WithoutCancel(ctx), t.drive.ID, final) })\n\tif err := t.call(func() error { return t.drive.FS.Rename(t.work, final) }); err != nil {"}},
		pkg: engine, run: "TestRun_orderOfTheLastSteps|TestRun_failsAfterTheRename",
	},
	{
		name: "ledger before manifest", what: "the ledger says finishing before the manifest is durable",
		edits: []edit{{"daemon/offload/finish.go", "err := t.call(func() (err error) {\n\t\t*manifest, err = t.writeManifest()",
			"t.note(func(rec Recorder) error {\n\t\treturn rec.Finishing(context.WithoutCancel(ctx), t.drive.ID, final, *manifest)\n\t})\n\terr := t.call(func() (err error) {\n\t\t*manifest, err = t.writeManifest()"}},
		pkg: engine, run: "TestRun_orderOfTheLastSteps",
	},
	{
		name: "chain not written", what: "a manifest that no chain vouches for",
		edits: []edit{{"daemon/mhl/append.go", "err = s.put(unfinishedChain, ChainName, func(w io.Writer) error { return writeChain(w, links) })", "_ = links"}},
		pkg:   "./daemon/mhl", run: "TestAppend_thenVerify",
	},
	{
		name: "retry after a failed fsync", what: "a flush that fails is simply tried again",
		edits: []edit{{"daemon/offload/write.go", "if err := w.stint.target.call(w.sink.Sync); err != nil {",
			"err := w.stint.target.call(w.sink.Sync)\n\tif err != nil {\n\t\terr = w.stint.target.call(w.sink.Sync)\n\t}\n\tif err != nil {"}},
		pkg: engine, run: "TestRun_failedFlush",
	},
	{
		name: "overwrite on a clash", what: "a name that a drive holds already is taken for a new copy",
		edits: []edit{{"daemon/resume.go", "return err == nil && !free", "return false && err == nil && !free"}},
		pkg:   supervisor, run: "TestSupervisor_otherBytesUnderTheSameNames",
	},
	{
		name: "overwrite on creating", what: "a file that is there already is written over",
		edits: []edit{{"daemon/volume/direct.go", "unix.O_WRONLY|unix.O_CREAT|unix.O_EXCL)", "unix.O_WRONLY|unix.O_CREAT|unix.O_TRUNC)"}},
		pkg:   "./daemon/volume", run: "TestCreateFile_takesNothingOver",
	},
	{
		name: "diskseq not checked", what: "another card in the reader is taken for the one that was there",
		edits: []edit{{"daemon/volumes.go", "case seq != m.seq:", "case seq < m.seq:"}},
		pkg:   supervisor, run: "TestMedium",
	},
	{
		name: "two partitions counted twice", what: "drives on one disk count as two",
		edits: []edit{{"daemon/offload/verdict.go", "if x == y {", "if x == y+\"?\" {"}},
		pkg:   engine, run: "TestDistinct|TestJudge",
	},
	{
		name: "short write ignored", what: "what the kernel did not take is not missed",
		edits: []edit{{"daemon/offload/write.go", "w.written += int64(n)\n\t\tif err != nil {", "w.written += int64(c.n)\n\t\tif err != nil && n == 0 {"}},
		pkg:   engine, run: "TestRun_faultAtEveryCall$|TestRun_failedFlush|TestRun_shortWrite",
	},
	{
		name: "resume trusts size", what: "what an earlier run proved is not read again",
		edits: []edit{{"daemon/offload/prove.go", "err := p.readBack(ctx, f, all)\n\t\tif err == nil {\n\t\t\terr = p.same(held)\n\t\t}", "_ = all\n\t\terr := t.checkSize(f)"}},
		pkg:   engine, run: "TestRun_resumes",
	},
	{
		name: "card mounted read-write", what: "the gate stays open and the mount is for writing",
		edits: []edit{
			{"daemon/volume/mount.go", "if err := closeGate(node, diskNode); err != nil {", "if err := error(nil); err != nil {"},
			{"daemon/volume/mount.go", "mount, err := m.attach(node, d, d.card, true)", "mount, err := m.attach(node, d, \"\", false)"},
		},
		pkg: "./daemon/volume", run: "TestCard_leavesTheImageUnchanged",
	},
	{
		name: "symlink followed", what: "a link on the card is copied as what it leads to",
		edits: []edit{{"daemon/offload/rootfs.go", "unix.Fstatat(folder, name, &st, unix.AT_SYMLINK_NOFOLLOW)", "unix.Fstatat(folder, name, &st, 0)"}},
		pkg:   engine, run: "TestPlan_leavesOut",
	},
	{
		name: "slow drive blocks", what: "a drive that is not needed sets the pace",
		edits: []edit{{"daemon/offload/pace.go", "if !r.canSpare(t, keepsUp) {", "if true {"}},
		pkg:   engine, run: "TestRun_slowThird",
	},
	{
		name: "hung drive waited for", what: "a call that never comes back holds everybody up",
		edits: []edit{{"daemon/offload/target.go", "if t.busyCalls > 0 && now.Sub(t.busySince) > patience && !t.hung() {", "if t.busyCalls < 0 {"}},
		pkg:   engine, run: "TestRun_hangsWhenGivenUp",
	},
	{
		name: "stop loses the queue", what: "after a stop nobody knows whose the unfinished folder is",
		edits: []edit{{"daemon/notes.go", "if c.Phase == state.CopyUnfinished {\n\t\tstatus = ledger.CopyOpen", "if c.Phase == state.CopyUnfinished {\n\t\tstatus = ledger.CopyLost"}},
		pkg:   supervisor, run: "TestStop_|TestSupervisor_stopInMidCopy",
	},
	{
		name: "unfinished folder of others", what: "a name that was not seen to be free is noted as ours, and cleared later",
		edits: []edit{{"daemon/notes.go", "		if !ours {\n			continue", "		if !ours && d.ID == \"\" {\n			continue"}},
		pkg:   supervisor, run: "TestSupervisor_unfinishedOfSomebodyElse",
	},
	{
		name: "name of a copy not flushed", what: "a copy that a life gave its name which then died counts at once",
		edits: []edit{{"daemon/standing.go", "if err := j.flushName(ctx, d, c.Folder); err != nil {", "if err := error(nil); err != nil {"}},
		pkg:   "./testdata/faults", run: "TestCutsAfterRecovery",
	},
	{
		name: "release kept without its copies", what: "a drive comes back without its copy, and the card stays released",
		edits: []edit{{"daemon/job.go", "	j.takeBack()\n", ""}},
		pkg:   supervisor, run: "TestSupervisor_forgottenCopyTakesTheReleaseBack",
	},
	{
		name: "salvaged counts as read", what: "a file that was put together from several attempts takes the card's own name",
		edits: []edit{{"daemon/offload/rescue.go", "	s.whole = len(s.missing) == 0\n", "	defer func() { s.whole = len(s.missing) == 0 }()\n"}},
		pkg:   engine, run: "TestRun_readInSeveralAttempts",
	},
	{
		name: "name that leads elsewhere", what: "what a card lists is looked at, wherever it is",
		edits: []edit{{"daemon/offload/rootfs.go", "if name == \"\" || name == \".\" || name == \"..\" || strings.ContainsRune(name, '/') {", "if strings.Contains(name, \"\\x00\") {"}},
		pkg:   engine, run: "TestLstatIn_leadsElsewhere",
	},
	{
		name: "catching up trusts the copy", what: "a copy that rots is passed on to another drive",
		edits: []edit{{"daemon/offload/message.go", "\tc, ok := f.checksums()\n\tif !ok || c.Sum != sum || c.Sample != sample && c.Sample != \"\" {\n\t\treturn errCopyDiffers\n\t}", "\tf.mu.Lock()\n\tf.sums[0], f.sample = sum, sample\n\tf.mu.Unlock()\n\tc, _ := f.checksums()"}},
		pkg:   engine, run: "TestRun_damagedSource",
	},
	{
		name: "lock held across I/O", what: "the supervisor waits for a card that does not answer",
		edits: []edit{{"daemon/early.go", "if verdict != state.Release || j.stillThere() != nil {\n\t\treturn\n\t}",
			"j.early.mu.Lock()\n\tgone := verdict == state.Release && j.stillThere() != nil\n\tj.early.mu.Unlock()\n\tif verdict != state.Release || gone {\n\t\treturn\n\t}"}},
		pkg: supervisor, run: "TestEarly_holdsUpNobody",
	},
	{
		name: "recognised by name and size", what: "other pictures under the same names are taken for those copied before",
		edits: []edit{{"daemon/recognise.go", "if samples[i] != k.Sample {", "if samples[i] == \"\" {"}},
		pkg:   supervisor, run: "TestSupervisor_otherBytesUnderTheSameNames",
	},
	{
		name: "drive's copies not looked at", what: "a copy that was thrown away still counts",
		edits: []edit{{"daemon/job.go", "\tj.checkCopies(ctx)\n", ""}},
		pkg:   supervisor, run: "TestSupervisor_damagedCopyIsNotCounted",
	},
	{
		name: "ledger not durable", what: "a commit may be lost when the power fails",
		edits: []edit{{"daemon/ledger/ledger.go", "\"synchronous(FULL)\"", "\"synchronous(NORMAL)\""}},
		pkg:   "./daemon/ledger", run: "TestLedger_asksForDurability",
	},
	{
		name: "seals not looked at", what: "a flipped bit in the ledger becomes a claim",
		edits: []edit{{"daemon/ledger/copy.go", "!driveID.Valid || r.seal != r.computeSeal() {", "!driveID.Valid {"}},
		pkg:   "./daemon/ledger", run: "TestOpen_flippedByte$|TestSeals",
	},
	{
		name: "salvage fills up with zeros", what: "bytes that the card did not give are not named",
		edits: []edit{{"daemon/offload/rescue.go", "if from >= to {\n\t\treturn", "if from != to || true {\n\t\treturn"}},
		pkg:   engine, run: "TestRescue_anyBadSectors",
	},
	{
		name: "bad place written to again", what: "a file that a drive does not give back is removed before it is written again",
		edits: []edit{{"daemon/offload/aside.go", "err = t.call(func() error { return t.drive.FS.Rename(name, to) })", "_, err = to, errors.New(\"not put aside\")"}},
		pkg:   engine, run: "TestRun_badPlaceOnADrive",
	},
	{
		name: "patrol trusts the copy's manifest", what: "a copy is proven again by what stands beside it, not by what the card gave",
		edits: []edit{
			{"daemon/patrol.go", "case err == nil && sum == f.Checksum:\n\t\tb.proven", "case err == nil && sum == ownWord(b.drive, e.piece.round.Copy.Folder, f.Path):\n\t\tb.proven"},
			{"daemon/patrol.go", "if known.Algorithm == f.Algorithm && !checksum.Equal(", "if false && !checksum.Equal("},
			{"daemon/patrol.go", "// withdraw takes", `func ownWord(d *jobDrive, folder, name string) string {
	root, err := d.opened.Root.OpenRoot(folder)
	if err != nil {
		return ""
	}
	defer root.Close()
	h, err := mhl.OpenIndex(root)
	if err != nil {
		return ""
	}
	for _, v := range h.Latest(name) {
		return v.Value
	}
	return ""
}

// withdraw takes`},
		},
		pkg: supervisor, run: "TestPatrol_believesNoManifest",
	},
	{
		name: "a retired drive counts", what: "what stands on a drive that is out of use founds a release",
		edits: []edit{{"daemon/account.go", "if j.s.retired.has(p.DriveID) {", "if false && j.s.retired.has(p.DriveID) {"}},
		pkg:   supervisor, run: "TestRetire_",
	},
}
