package daemon

import (
	"context"
	"errors"
	"os"
	"testing"
	"testing/synctest"

	"bothy/daemon/identity"
	"bothy/daemon/offload"
	"bothy/daemon/state"
	"bothy/udev"
)

// lateDrives are Volumes whose card cannot be listed, and whose drive is mounted
// late. They count what is mounted.
type lateDrives struct {
	card, drive *os.Root
	come        chan struct{}
	mounted     map[string]int
}

var errListing = errors.New("the folder cannot be listed")

type unlistable struct{ offload.FS }

func (unlistable) List(string) ([]offload.Item, error) { return nil, errListing }

func (v *lateDrives) open(name string, root *os.Root, fs offload.FS) *Opened {
	v.mounted[name]++
	return &Opened{Root: root, FS: fs, Release: func(context.Context) error { v.mounted[name]--; return nil }}
}

func (v *lateDrives) Card(context.Context, udev.Device) (*Opened, error) {
	return v.open("card", v.card, unlistable{&offload.RootFS{Root: v.card}}), nil
}

func (v *lateDrives) Drive(context.Context, udev.Device, bool) (*Opened, error) {
	<-v.come
	return v.open("drive", v.drive, &offload.RootFS{Root: v.drive}), nil
}

func (v *lateDrives) Folder(context.Context, string) (*Opened, error) { return nil, errListing }

// However early a job ends, a drive that is still on its way is let go again: it
// must not stay mounted, and look as if it could be pulled.
func TestJob_endsBeforeItsDrivesAreThere(t *testing.T) {
	t.Parallel()
	open := func() *os.Root {
		root, err := os.OpenRoot(t.TempDir())
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { root.Close() })
		return root
	}
	card, drive := open(), open()
	id := identity.New("Skerry a", "skerry-test", shotAt)
	if err := writeIdentity(&Opened{Root: drive, FS: &offload.RootFS{Root: drive}}, id); err != nil {
		t.Fatal(err)
	}
	synctest.Test(t, func(t *testing.T) {
		v := &lateDrives{card: card, drive: drive, come: make(chan struct{}), mounted: map[string]int{}}
		cfg := Config{Volumes: v, MountedDisks: func() (map[string]string, error) { return nil, nil }}
		j := &job{task: task{s: stillSupervisor(cfg)}, early: newEarly(), dev: udev.Device{Name: "sda", Disk: "sda", FSType: "invented"}}
		j.drives = []*jobDrive{{share: newShare(), dev: udev.Device{Name: "sdb", Disk: "sdb"}, identity: id}}
		ended := make(chan outcome, 1)
		go func() { ended <- j.run(t.Context()) }()
		synctest.Wait() // the card's trouble is known
		close(v.come)
		synctest.Wait()
		out := <-ended
		if out.verdict != state.Hold || len(out.findings) != 1 || out.findings[0].code != state.CardUnreadable {
			t.Errorf("%s: %s, %+v", out.verdict, out.reason, out.findings)
		}
		if v.mounted["card"] != 0 || v.mounted["drive"] != 0 {
			t.Errorf("what is still mounted: %v", v.mounted)
		}
	})
}
