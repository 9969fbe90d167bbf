package daemon

import (
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"testing"

	"bothy/daemon/state"
	"bothy/daemon/status"
)

// BenchmarkStart_firstByte is the way from the list of devices that holds a
// card of 25,000 files in 25 folders to the opening of its first file.
func BenchmarkStart_firstByte(b *testing.B) {
	m := newSim(b, 2)
	card := m.medium("sda", "SKUA_1", "reader-sda")
	data := make([]byte, 200)
	for i := range 25_000 {
		dir := filepath.Join(card.dir, fmt.Sprintf("DCIM/%03dSKUAS", 100+i/1000))
		if i%1000 == 0 {
			if err := os.MkdirAll(dir, 0o755); err != nil {
				b.Fatal(err)
			}
		}
		if err := os.WriteFile(filepath.Join(dir, fmt.Sprintf("SKUA%04d.JPG", i%1000+1)), data, 0o644); err != nil {
			b.Fatal(err)
		}
	}
	m.start()
	m.plug(m.drive("sdb"), m.drive("sdc"))
	m.until("both drives are known", func(st *state.State) bool {
		return driveNamed(st, "sdb").ID != "" && driveNamed(st, "sdc").ID != "" && idle(st)
	})
	n := 0
	for b.Loop() {
		n++
		card.uuid = fmt.Sprintf("INVENTED-NEW-%d", n) // not one that was here before
		opened, goOn := make(chan struct{}), make(chan struct{})
		var once sync.Once
		card.on(func(op, _ string) error {
			if op == "open" {
				once.Do(func() { close(opened) })
				<-goOn
			}
			return nil
		})
		m.plug(card)
		<-opened
		b.StopTimer()
		m.pull(card)
		close(goOn)
		m.untilIdle()
		b.StartTimer()
	}
}

// Whoever has started the service may ask it as soon as the service manager says that
// it is started.
func TestStart_readyWhenItCanBeAsked(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2)
	m.cfg.SocketPath = filepath.Join(m.base, "control.sock")
	asked := make(chan error, 1)
	m.onReady = func() {
		client, err := status.Dial(m.cfg.SocketPath)
		if err == nil {
			client.Close()
		}
		asked <- err
	}
	m.start()
	if err := <-asked; err != nil {
		t.Error(err)
	}
}
