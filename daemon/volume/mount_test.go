package volume

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"bothy/testdata/judges"
)

func TestDrive_unmountsWithFilesOpen(t *testing.T) {
	t.Parallel()
	eachFS(t, func(t *testing.T, fs rigFS) {
		m := mounter(t)
		m.BusyWait = time.Millisecond
		mount, err := m.Drive(context.Background(), loop(t, fs.image(t)), fs.name, false)
		if err != nil {
			t.Fatal(err)
		}
		held, err := os.Create(filepath.Join(mount.Path, "held"))
		if err != nil {
			t.Fatal(err)
		}
		if _, err := held.WriteString("skua"); err != nil {
			t.Fatal(err)
		}
		if err := mount.Unmount(context.Background()); !errors.Is(err, ErrBusy) {
			t.Errorf("Unmount with an open file: %v, want ErrBusy", err)
		}
		if entryOf(t, mount.Path) != nil {
			t.Error("the busy mount was not detached")
		}
		if left, err := os.ReadDir(m.Dir); err != nil || len(left) != 0 {
			t.Errorf("%d mount points left, %v", len(left), err)
		}
		if err := held.Close(); err != nil {
			t.Error(err)
		}
	})
}

func TestDrive_keepsWhatWasWritten(t *testing.T) {
	t.Parallel()
	eachFS(t, func(t *testing.T, fs rigFS) {
		node := loop(t, fs.image(t))
		m := mountDrive(t, node, fs.name)
		limits := m.Limits()
		at, err := LimitsAt(m.Path)
		if err != nil || at != limits {
			t.Errorf("LimitsAt gives %+v, %v; the mount %+v", at, err, limits)
		}
		path := filepath.Join(m.Path, "clip")
		writeSynced(t, path, patterned(10_000))
		when := time.Date(2026, 11, 25, 14, 31, 7, 987_654_321, time.UTC)
		if err := os.Chtimes(path, when, when); err != nil {
			t.Fatal(err)
		}
		unmount(t, m)
		m, err = mounter(t).Drive(context.Background(), node, fs.name, true)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { m.detach() })
		info, err := os.Stat(filepath.Join(m.Path, "clip"))
		if err != nil {
			t.Fatal(err)
		}
		if gap := when.Sub(info.ModTime()); info.Size() != 10_000 || gap < 0 || gap >= limits.TimeStep {
			t.Errorf("%d bytes of %v; want 10000 of %v within %v", info.Size(), info.ModTime().UTC(), when, limits.TimeStep)
		}
		if err := os.WriteFile(filepath.Join(m.Path, "x"), nil, 0o600); !errors.Is(err, unix.EROFS) {
			t.Errorf("writing on a drive mounted read-only: %v, want EROFS", err)
		}
		unmount(t, m)
	})
}

func TestDrive_refusesAReadOnlyMedium(t *testing.T) {
	t.Parallel()
	eachFS(t, func(t *testing.T, fs rigFS) {
		node := loop(t, fs.image(t), "--read-only")
		m := mounter(t)
		mount, err := m.Drive(context.Background(), node, fs.name, false)
		if err == nil {
			mount.detach()
		}
		if !errors.Is(err, ErrReadOnly) {
			t.Errorf("Drive: %v, want ErrReadOnly", err)
		}
		if err := SetWritable(node); !errors.Is(err, ErrReadOnly) {
			t.Errorf("SetWritable on a disk with a switch of its own: %v, want ErrReadOnly", err)
		}
	})
}

func TestDrive_saysThatAFileSystemIsUnknown(t *testing.T) {
	t.Parallel()
	needRoot(t)
	node := loop(t, sparse(t, 1<<20))
	known := false
	if err := unix.Mount(node, t.TempDir(), "ntfs3", unix.MS_RDONLY, ""); !errors.Is(err, unix.ENODEV) {
		known = true
	}
	_, err := mounter(t).Drive(context.Background(), node, "ntfs", false)
	if err == nil || errors.Is(err, ErrNoDriver) == known {
		t.Fatalf("Drive with NTFS: %v; the kernel knows it: %v", err, known)
	}
	const want = "this kernel has no driver for NTFS"
	if got := err.Error(); !known && got != "mount drive "+node+": "+want {
		t.Errorf("the sentence is %q, want %q at its end", got, want)
	}
	if _, err := mounter(t).Drive(context.Background(), node, "udf", false); !errors.Is(err, ErrUnsupported) {
		t.Errorf("Drive with UDF: %v, want ErrUnsupported", err)
	}
}

// An image of a Btrfs carries the same UUID; the kernel may then show the first
// device under the second one's name. Either it is mounted as itself or not at all.
func TestMount_neverShowsAnotherDevice(t *testing.T) {
	t.Parallel()
	eachFS(t, func(t *testing.T, fs rigFS) {
		image := fs.filled(t, 5000, false)
		clone := filepath.Join(t.TempDir(), "clone")
		run(t, "cp", "--sparse=always", image, clone)
		first := mountDrive(t, loop(t, image), fs.name)
		node := loop(t, clone)
		second, err := mounter(t).Drive(context.Background(), node, fs.name, false)
		if err == nil {
			disks, err := Disks(second.Path)
			if err != nil || len(disks) != 1 || disks[0] != filepath.Base(node) {
				t.Errorf("the clone's mount lies on %v, %v; want %s", disks, err, filepath.Base(node))
			}
			unmount(t, second)
		}
		unmount(t, first)
	})
}

// What the test above cannot provoke on a kernel that tells clones apart.
func TestMount_noticesWhatItIsNot(t *testing.T) {
	t.Parallel()
	eachFS(t, func(t *testing.T, fs rigFS) {
		m := mountDrive(t, loop(t, fs.image(t)), fs.name)
		other := *m
		other.Node = loop(t, sparse(t, 1<<20))
		if err := other.checkAttached(); !errors.Is(err, ErrMediumChanged) {
			t.Errorf("a mount of another device: %v, want ErrMediumChanged", err)
		}
		if err := m.checkAttached(); err != nil {
			t.Error(err)
		}
		// A driver may fall back to read-only by itself.
		if err := unix.Mount("", m.Path, "", unix.MS_REMOUNT|unix.MS_RDONLY, ""); err != nil {
			t.Fatal(err)
		}
		if err := m.checkAttached(); !errors.Is(err, ErrReadOnly) {
			t.Errorf("a mount that turned read-only: %v, want ErrReadOnly", err)
		}
		unmount(t, m)
	})
}

func TestSweep_removesAnEarlierLife(t *testing.T) {
	t.Parallel()
	needRoot(t)
	fs := rigFileSystems[0]
	judges.Need(t, fs.mkfs[0])
	m := mounter(t)
	if err := m.Sweep(); err != nil {
		t.Fatalf("with nothing there: %v", err)
	}
	left, err := m.Drive(context.Background(), loop(t, fs.image(t)), fs.name, false)
	if err != nil {
		t.Fatal(err)
	}
	stranger := filepath.Join(m.Dir, "notes.txt")
	writeSynced(t, stranger, []byte("not ours"))
	for range 2 { // the second time changes nothing
		if err := m.Sweep(); err != nil {
			t.Fatal(err)
		}
		if entryOf(t, left.Path) != nil {
			t.Error("the mount is still there")
		}
		if _, err := os.Stat(left.Path); !errors.Is(err, os.ErrNotExist) {
			t.Errorf("mount point: %v, want it gone", err)
		}
		if _, err := os.Stat(stranger); err != nil {
			t.Errorf("a file that is not ours: %v", err)
		}
	}
}

func TestUnmount_whenContextEnded(t *testing.T) {
	t.Parallel()
	needRoot(t)
	fs := rigFileSystems[0]
	judges.Need(t, fs.mkfs[0])
	m := mountDrive(t, loop(t, fs.image(t)), fs.name)
	held, err := os.Open(m.Path)
	if err != nil {
		t.Fatal(err)
	}
	defer held.Close()
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if err := m.Unmount(ctx); !errors.Is(err, context.Canceled) {
		t.Errorf("Unmount: %v, want context.Canceled", err)
	}
	if entryOf(t, m.Path) != nil {
		t.Error("the mount was not detached")
	}
}

// A call that hangs is left behind, and what it brings later is disposed of.
func TestBounded_leavesAHangingCallBehind(t *testing.T) {
	t.Parallel()
	ctx, cancel := context.WithCancel(context.Background())
	release, disposed := make(chan struct{}), make(chan string, 1)
	entered := make(chan struct{})
	go func() { <-entered; cancel() }()
	_, err := bounded(ctx, func() (string, error) {
		close(entered)
		<-release
		return "late mount", nil
	}, func(s string) { disposed <- s })
	if !errors.Is(err, context.Canceled) {
		t.Errorf("bounded: %v, want context.Canceled", err)
	}
	close(release)
	if got := <-disposed; got != "late mount" {
		t.Errorf("disposed of %q", got)
	}
}

func TestSync_reachesTheMedium(t *testing.T) {
	t.Parallel()
	eachFS(t, func(t *testing.T, fs rigFS) {
		node := loop(t, fs.image(t))
		m := mountDrive(t, node, fs.name)
		root := openRoot(t, m.Path)
		if err := root.Mkdir("folder", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(SyncDir(root, "folder"), SyncDir(root, "."), SyncFS(root), FlushDevice(node)); err != nil {
			t.Error(err)
		}
		if err := SyncDir(root, "missing"); !errors.Is(err, unix.ENOENT) {
			t.Errorf("SyncDir of a missing folder: %v, want ENOENT", err)
		}
		free, total, err := Space(root)
		if err != nil || free <= 0 || total > fs.sizeBytes || free > total {
			t.Errorf("Space = %d of %d, %v; the device has %d", free, total, err, fs.sizeBytes)
		}
		root.Close()
		unmount(t, m)
	})
}
