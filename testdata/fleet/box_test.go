package fleet

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"bothy/daemon"
	"bothy/daemon/offload"
	"bothy/daemon/volume"
	"bothy/udev"
)

// orders is what a box is told, through its environment.
type orders struct {
	Base   string
	Name   string
	Listen string
	Drives int // attached, of the two that a release needs
}

// ordersIn names the variable of the environment that makes this test program a
// box.
const ordersIn = "BOTHY_FLEET_ORDERS"

// TestMain lets this very program be a box.
func TestMain(m *testing.M) {
	if o := os.Getenv(ordersIn); o != "" {
		if err := beBox(o); err != nil {
			fmt.Fprintln(os.Stderr, "box:", err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

const boxPolicy = `[box]
name   = %q
copies = 2

[status]
listen = %q

[[card]]
name  = "stills"
label = "SKUA_*"

[[drive]]
name    = "bay"
slot    = "invented-bay-*"
reserve = "1MB"
`

// beBox is a life of the daemon until SIGTERM, or whatever kills it.
func beBox(text string) error {
	var o orders
	if err := json.Unmarshal([]byte(text), &o); err != nil {
		return err
	}
	path := filepath.Join(o.Base, "policy.toml")
	if err := os.WriteFile(path, fmt.Appendf(nil, boxPolicy, o.Name, o.Listen), 0o644); err != nil {
		return err
	}
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGTERM)
	defer stop()
	m := media{orders: o}
	return daemon.Run(ctx, daemon.Config{
		PolicyPath: path, StateDir: filepath.Join(o.Base, "state"), RunDir: filepath.Join(o.Base, "run"),
		LEDRoot: filepath.Join(o.Base, "no-leds"), Version: "fleet-test", Log: slog.New(slog.NewTextHandler(os.Stderr, nil)),
		Devices: m, Volumes: m,
		SystemDisks:  func() (map[string]bool, error) { return nil, nil },
		MountedDisks: func() (map[string]string, error) { return nil, nil },
		Now:          func() (time.Time, bool) { return time.Now().UTC(), true },
	})
}

// media are folders that stand for a card and for drives; they are all in from the
// beginning.
type media struct{ orders }

func (m media) names() []string { return []string{"card", "drive-1", "drive-2"}[:1+m.Drives] }

// Watch implements udev.Source.
func (m media) Watch(ctx context.Context, out chan<- udev.Snapshot) error {
	snap := udev.Snapshot{Events: 1, Rescans: 1}
	for i, name := range m.names() {
		d := udev.Device{
			Name: name, Node: "/invented/" + name, Disk: name, DiskSeq: uint64(i + 1), SizeBytes: 64 << 30, Removable: true,
			Slot: fmt.Sprintf("invented-bay-%d", i), Label: fmt.Sprintf("SKERRY_%d", i), UUID: "INVENTED-" + name,
			FSType: "folder", Bus: "invented", DiskKey: "invented-" + name, Initialized: true,
		}
		if i == 0 {
			d.Slot, d.Label = "invented-reader", "SKUA_001"
		}
		snap.Devices = append(snap.Devices, d)
	}
	select {
	case out <- snap:
	case <-ctx.Done():
	}
	<-ctx.Done()
	return ctx.Err()
}

// Card implements daemon.Volumes.
func (m media) Card(_ context.Context, d udev.Device) (*daemon.Opened, error) { return m.open(d) }

// Drive implements daemon.Volumes.
func (m media) Drive(_ context.Context, d udev.Device, _ bool) (*daemon.Opened, error) {
	return m.open(d)
}

// Folder implements daemon.Volumes.
func (m media) Folder(context.Context, string) (*daemon.Opened, error) {
	return nil, errors.New("there are no folders")
}

// open makes up which disk a folder is on and how much room there is: what this
// machine's own disk has must raise no alert.
func (m media) open(d udev.Device) (*daemon.Opened, error) {
	path := filepath.Join(m.Base, d.Name)
	root, err := os.OpenRoot(path)
	if err != nil {
		return nil, err
	}
	limits, err := volume.LimitsAt(path)
	if err != nil {
		return nil, errors.Join(err, root.Close())
	}
	return &daemon.Opened{
		Root: root, Limits: limits, Disks: []string{d.Disk}, FS: plainFS{&offload.RootFS{Root: root, Limits: limits}},
		Space:   func() (free, size int64, err error) { return 60 << 30, 64 << 30, nil },
		Release: func(context.Context) error { return root.Close() },
	}, nil
}

// plainFS reads back what the folder's file system gives, which may be memory.
type plainFS struct{ offload.FS }

func (f plainFS) OpenMedium(name string) (offload.Source, error) {
	if src, err := f.FS.OpenMedium(name); err == nil {
		return src, nil
	}
	return f.FS.Open(name)
}

// box is one that runs, as this test sees it.
type box struct {
	orders
	t   *testing.T
	cmd *exec.Cmd
}

// newBox makes a box with a full card in it, whose pictures are generated.
func newBox(t *testing.T, name string, drives int) *box {
	t.Helper()
	b := &box{t: t, orders: orders{Base: t.TempDir(), Name: name, Listen: freeAddress(t), Drives: drives}}
	for _, dir := range []string{"card/DCIM/100SKUAS", "drive-1", "drive-2", "state", "run"} {
		if err := os.MkdirAll(filepath.Join(b.Base, dir), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	source := rand.NewChaCha8([32]byte{31: name[len(name)-1]})
	for i := range 5 {
		data := make([]byte, 200_000+i*1013)
		source.Read(data) // it gives what it is asked for
		if err := os.WriteFile(filepath.Join(b.Base, fmt.Sprintf("card/DCIM/100SKUAS/SKUA%04d.JPG", i+1)), data, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	b.start()
	t.Cleanup(b.kill)
	return b
}

func (b *box) start() {
	b.t.Helper()
	text, err := json.Marshal(b.orders)
	if err != nil {
		b.t.Fatal(err)
	}
	self, err := os.Executable()
	if err != nil {
		b.t.Fatal(err)
	}
	b.cmd = exec.Command(self)
	b.cmd.Env = append(os.Environ(), ordersIn+"="+string(text))
	launch(b.t, b.Name, b.cmd)
	until(b.t, b.Name+" answers", func() error { return get("http://"+b.Listen+"/healthz", nil) })
}

// kill ends the box as a watchdog would: it has no say in it.
func (b *box) kill() {
	_ = b.cmd.Process.Kill() // it may have ended already
	_ = b.cmd.Wait()
}

// freeAddress is one on which nobody listens now.
func freeAddress(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

// get asks url and decodes the JSON answer, if that is wanted.
func get(url string, into any) error {
	client := http.Client{Timeout: 20 * time.Second}
	res, err := client.Get(url)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	if into != nil && res.Header.Get("Content-Type") == "application/json" {
		return json.NewDecoder(res.Body).Decode(into)
	}
	if res.StatusCode != http.StatusOK {
		return fmt.Errorf("get %s: %s", url, res.Status)
	}
	return nil
}
