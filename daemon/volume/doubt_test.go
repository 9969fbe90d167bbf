package volume

import (
	"bytes"
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"

	"golang.org/x/sys/unix"

	"bothy/testdata/judges"
)

// fatImage is the start of a FAT with sectors of 512 bytes, laid out by hand as
// the "FAT32 File System Specification" (Microsoft, 2000) says: bits is 12, 16
// or 32.
func fatImage(bits int, clusters uint32, mark byte, entry uint32) []byte {
	const reserved, fatSectors, rootEntries = 4, 8, 64
	b := make([]byte, 64<<10)
	le.PutUint16(b[11:], 512)
	b[13] = 1
	le.PutUint16(b[14:], reserved)
	b[16] = 2
	b[510], b[511] = 0x55, 0xAA
	fat := b[reserved*512:]
	if bits == 32 {
		le.PutUint32(b[32:], clusters)
		b[65] = mark
		le.PutUint32(fat[4:], entry)
		return b
	}
	le.PutUint16(b[17:], rootEntries)
	le.PutUint16(b[22:], fatSectors)
	sectors := clusters + reserved + 2*fatSectors + rootEntries*32/512
	if sectors < 1<<16 {
		le.PutUint16(b[19:], uint16(sectors))
	} else {
		le.PutUint32(b[32:], sectors)
	}
	b[37] = mark
	le.PutUint16(fat[2:], uint16(entry))
	return b
}

// A card that was pulled while it was written must not look clean on any kind of
// FAT; FAT12 has no such entry, and its clusters' numbers must not be taken for one.
func TestFATDirty_everyKind(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		name     string
		bits     int
		clusters uint32
		mark     byte
		entry    uint32
		want     bool
	}{
		{"FAT12", 12, 2000, 0, 0, false},
		{"FAT12, marked by Linux", 12, 2000, 1, 0, true},
		{"the largest FAT12", 12, 4084, 0, 0, false},
		{"the smallest FAT16", 16, 4085, 0, 0xFFFF, false},
		{"the smallest FAT16, not shut down", 16, 4085, 0, 0x7FFF, true},
		{"FAT16", 16, 20000, 0, 0xFFFF, false},
		{"FAT16, not shut down", 16, 20000, 0, 0x7FFF, true},
		{"FAT16, disk errors", 16, 20000, 0, 0xBFFF, true},
		{"FAT16, marked by Linux", 16, 20000, 1, 0xFFFF, true},
		{"FAT16, another mark", 16, 20000, 2, 0xFFFF, false},
		{"a large FAT16", 16, 65500, 0, 0xFFFF, false},
		{"a large FAT16, not shut down", 16, 65500, 0, 0x7FFF, true},
		{"FAT32", 32, 70000, 0, 0x0FFFFFFF, false},
		{"FAT32, not shut down", 32, 70000, 0, 0x07FFFFFF, true},
	} {
		image := fatImage(tt.bits, tt.clusters, tt.mark, tt.entry)
		if got, err := fatDirty(bytes.NewReader(image)); err != nil || got != tt.want {
			t.Errorf("%s: dirty %v, %v; want %v", tt.name, got, err, tt.want)
		}
		for _, change := range []func(b []byte){
			func(b []byte) { le.PutUint16(b[11:], 256) },
			func(b []byte) { le.PutUint16(b[11:], 8192) },
			func(b []byte) { b[13] = 0 },
			func(b []byte) { b[510] = 0 },
			func(b []byte) { b[511] = 0 },
		} {
			other := bytes.Clone(image)
			change(other)
			if got, err := fatDirty(bytes.NewReader(other)); err != nil || got {
				t.Errorf("%s, made senseless: dirty %v, %v", tt.name, got, err)
			}
		}
		if _, err := fatDirty(bytes.NewReader(image[:4*512])); !errors.Is(err, io.EOF) {
			t.Errorf("%s, cut before the FAT: %v", tt.name, err)
		}
	}
}

// A volume record that makes no sense ends in an answer or an error: never in a
// read outside of it.
func TestNTFSDirty_senselessRecords(t *testing.T) {
	t.Parallel()
	record := 4*4096 + 3*1024
	for name, tt := range map[string]struct {
		change func(b []byte)
		dirty  bool
		fails  bool
	}{
		"records counted in clusters": {func(b []byte) { // 1 cluster of 2 sectors is 1 KiB
			b[13], b[64] = 2, 1
			copy(b[4*1024+3*1024:], b[record:record+1024])
		}, true, false},
		"records too small":          {func(b []byte) { b[64] = 0xF8 }, false, false}, // 256 bytes
		"records too large":          {func(b []byte) { b[64] = 0xF3 }, false, false}, // 8 KiB
		"no cluster size":            {func(b []byte) { b[13] = 0 }, false, false},
		"the table far outside":      {func(b []byte) { le.PutUint64(b[48:], 1<<50) }, false, false},
		"the table before the start": {func(b []byte) { le.PutUint64(b[48:], ^uint64(0)) }, false, false},
		"no record there":            {func(b []byte) { copy(b[record:], "BAAD") }, false, false},
		"a value outside":            {func(b []byte) { le.PutUint16(b[record+128+20:], 1020) }, false, false},
		"an attribute without end":   {func(b []byte) { le.PutUint32(b[record+60:], 0) }, false, false},
		"an attribute that is huge":  {func(b []byte) { le.PutUint32(b[record+60:], 5000) }, false, false},
		"no end mark": {func(b []byte) {
			le.PutUint32(b[record+60:], 960) // leads to 1016, where no head fits
		}, false, true},
		"as it should be": {func([]byte) {}, true, false},
	} {
		image := ntfsImage(1)
		tt.change(image)
		got, err := ntfsDirty(bytes.NewReader(image))
		if got != tt.dirty || (err != nil) != tt.fails {
			t.Errorf("%s: dirty %v, %v", name, got, err)
		}
	}
}

// Whatever cannot be done says so: a flush or a gate that was only believed in
// would be the base of a release.
func TestNothingIsBelieved(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	file := filepath.Join(dir, "file")
	writeSynced(t, file, patterned(100))
	none := filepath.Join(dir, "none")
	gone, err := os.OpenRoot(dir)
	if err != nil {
		t.Fatal(err)
	}
	gone.Close()
	root := openRoot(t, dir)
	closed, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	closed.Close()
	second := func(_ any, err error) error { return err }
	m := Mounter{Dir: filepath.Join(file, "no folder")}
	for name, tt := range map[string]struct {
		err  error
		want error // nil: any
	}{
		"SyncFile, closed":         {SyncFile(closed), os.ErrClosed},
		"SyncDir, none":            {SyncDir(root, "none"), os.ErrNotExist},
		"SyncDir, a file":          {SyncDir(root, "file"), unix.ENOTDIR},
		"SyncDir, root gone":       {SyncDir(gone, "."), nil},
		"SyncFS, root gone":        {SyncFS(gone), nil},
		"FlushDevice, none":        {FlushDevice(none), os.ErrNotExist},
		"SetReadOnly, none":        {SetReadOnly(none), os.ErrNotExist},
		"SetReadOnly, a file":      {SetReadOnly(file), unix.ENOTBLK},
		"SetWritable, a file":      {SetWritable(file), unix.ENOTBLK},
		"ReadOnly, a file":         {second(ReadOnly(file)), unix.ENOTBLK},
		"closeGate, a file":        {closeGate(file, file), unix.ENOTBLK},
		"WholeDisk, none":          {second(WholeDisk(none)), os.ErrNotExist},
		"WholeDisk, a file":        {second(WholeDisk(file)), unix.ENOTBLK},
		"Disks, none":              {second(Disks(none)), os.ErrNotExist},
		"OnDisk, none":             {second(OnDisk(none)), os.ErrNotExist},
		"LimitsAt, none":           {second(LimitsAt(none)), os.ErrNotExist},
		"Evict, closed":            {Evict(closed), nil},
		"Resident, closed":         {second(Resident(closed)), nil},
		"mincore, closed":          {second(mincore(closed)), nil},
		"OpenGrowing, none":        {second(OpenGrowing(root, "none")), os.ErrNotExist},
		"OpenGrowing, root gone":   {second(OpenGrowing(gone, "file")), nil},
		"Flush, mount gone":        {(&Mount{Path: none, Node: none}).Flush(), os.ErrNotExist},
		"checkAttached, no device": {(&Mount{Path: dir, Node: none}).checkAttached(), os.ErrNotExist},
		"checkAttached, no mount":  {(&Mount{Path: none, Node: file}).checkAttached(), os.ErrNotExist},
		"checkCard, no device":     {(&Mount{Path: dir, Node: file, DiskNode: none}).checkCard(), os.ErrNotExist},
		"Drive, a file":            {second(m.Drive(t.Context(), file, "ext4", false)), unix.ENOTBLK},
		"Drive, none recognised":   {second(m.Drive(t.Context(), file, "", false)), ErrUnsupported},
		"Card, a file":             {second(m.Card(t.Context(), file, file, "ext4")), unix.ENOTBLK},
		"Sweep, no folder":         {m.Sweep(), unix.ENOTDIR},
		"newPoint, no folder":      {second(m.newPoint()), unix.ENOTDIR},
		"btrfsDisks, none":         {second(hostSys.btrfsDisks(none)), os.ErrNotExist},
		"btrfsDisks, a file":       {second(hostSys.btrfsDisks(file)), nil},
		"only Btrfs device, none":  {hostSys.checkOnlyBtrfsDevice(none, 0), os.ErrNotExist},
		"disksOfNode, a file":      {second(hostSys.disksOfNode(file)), unix.ENOTBLK},
		"disksOfNode, none":        {second(hostSys.disksOfNode(none)), os.ErrNotExist},
		"CheckFile, negative":      {LimitsOf("ext4").CheckFile(-1), nil},
	} {
		if tt.err == nil || tt.want != nil && !errors.Is(tt.err, tt.want) {
			t.Errorf("%s: %v, want %v", name, tt.err, tt.want)
		}
	}
	if _, _, err := Space(gone); err == nil {
		t.Error("Space of a root that is gone")
	}
}

// The kernel's refusals reach the operator as what they mean.
func TestExplain(t *testing.T) {
	t.Parallel()
	strange := errors.New("strange")
	for _, tt := range []struct {
		fsType    string
		err       error
		wantWrite bool
		want      error
		words     string
	}{
		{"exfat", unix.ENODEV, true, ErrNoDriver, "exFAT"},
		{"exfat", unix.EROFS, true, ErrReadOnly, ""},
		{"exfat", unix.EACCES, true, ErrReadOnly, ""},
		{"exfat", unix.EROFS, false, unix.EROFS, ""},
		{"xfs", unix.EBUSY, true, ErrBusy, "elsewhere"},
		{"ntfs", unix.EINVAL, true, unix.EINVAL, "not unmounted cleanly"},
		{"ntfs", unix.EINVAL, false, unix.EINVAL, "NTFS is damaged or is something else"},
		{"ext4", unix.EUCLEAN, true, unix.EUCLEAN, "damaged"},
		{"btrfs", unix.EBADMSG, true, unix.EBADMSG, "damaged"},
		{"ext4", strange, true, strange, ""},
	} {
		d, err := driverOf(tt.fsType)
		if err != nil {
			t.Fatal(err)
		}
		got := d.explain(tt.err, tt.wantWrite)
		if !errors.Is(got, tt.want) || !bytes.Contains([]byte(got.Error()), []byte(tt.words)) {
			t.Errorf("%s, %v, for writing %v: %v", tt.fsType, tt.err, tt.wantWrite, got)
		}
		if tt.want == unix.EROFS && errors.Is(got, ErrReadOnly) {
			t.Errorf("%s: whoever only reads was told that it cannot be written", tt.fsType)
		}
	}
}

// The gate covers the device that is mounted, and is looked at again after the
// mount: what was swapped or opened in between is found.
func TestCard_looksAgain(t *testing.T) {
	t.Parallel()
	needRoot(t)
	fs := rigFileSystems[0]
	judges.Need(t, fs.mkfs[0])
	node, another := loop(t, fs.image(t)), loop(t, sparse(t, 1<<20))
	if err := closeGate(node, another); !errors.Is(err, ErrNotReadOnly) {
		t.Errorf("the gate of another disk was closed: %v, want ErrNotReadOnly", err)
	}
	if _, err := mounter(t).Card(context.Background(), node, another, fs.name); !errors.Is(err, ErrNotReadOnly) {
		t.Errorf("Card behind the gate of another disk: %v, want ErrNotReadOnly", err)
	}
	m := mountCard(t, node, fs.name)
	if err := m.checkCard(); err != nil {
		t.Error(err)
	}
	swapped := *m
	swapped.DiskSeq++
	if err := swapped.checkCard(); !errors.Is(err, ErrMediumChanged) {
		t.Errorf("another insertion: %v, want ErrMediumChanged", err)
	}
	if err := SetWritable(node); err != nil {
		t.Fatal(err)
	}
	if err := m.checkCard(); !errors.Is(err, ErrNotReadOnly) {
		t.Errorf("a gate that was opened: %v, want ErrNotReadOnly", err)
	}
	unmount(t, m)
	readOnly := loop(t, sparse(t, 1<<20), "--read-only")
	if err := SetReadOnly(readOnly); err != nil {
		t.Errorf("a disk that is read-only by itself: %v", err)
	}
	if ro, err := ReadOnly(readOnly); err != nil || !ro {
		t.Errorf("a disk that is read-only by itself: %v, %v", ro, err)
	}
}
