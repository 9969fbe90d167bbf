package daemon

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"bothy/daemon/state"
)

// startsFile, in the state folder, says how the daemon's lives began, and whether
// the newest one has ended.
const startsFile = "starts.json"

// startsNoted is what that file holds. It is for showing: when it is lost or
// cannot be read, counting begins anew.
type startsNoted struct {
	state.Starts
	Alive  bool   // a life has begun and not ended
	BootID string // of the kernel that it began under
}

// lifeBegins counts this start by what it finds of the life before.
func (s *supervisor) lifeBegins() {
	noted, err := readStarts(s.cfg.StateDir)
	if err != nil {
		s.cfg.Log.Warn("starts are counted from none", "err", err)
	}
	boot := moment(s.cfg.Now).BootID
	switch {
	case !noted.Alive:
		noted.Clean++
	case noted.BootID == boot:
		noted.AfterCrash++
	default:
		noted.AfterPowerCut++
	}
	noted.Alive, noted.BootID = true, boot
	s.starts = noted.Starts
	s.noteStarts(noted)
}

// lifeEnds notes that this life ended in order.
func (s *supervisor) lifeEnds() { s.noteStarts(startsNoted{Starts: s.starts}) }

// noteStarts only logs what goes wrong: a state folder that cannot be written is a
// condition already.
func (s *supervisor) noteStarts(noted startsNoted) {
	if err := writeStarts(s.cfg.StateDir, noted); err != nil {
		s.cfg.Log.Warn("how this life began or ended is not kept", "err", err)
	}
}

func readStarts(dir string) (noted startsNoted, err error) {
	data, err := os.ReadFile(filepath.Join(dir, startsFile))
	if errors.Is(err, fs.ErrNotExist) {
		return noted, nil
	}
	if err == nil {
		err = json.Unmarshal(data, &noted)
	}
	if err != nil {
		return startsNoted{}, fmt.Errorf("read %s: %w", startsFile, err)
	}
	return noted, nil
}

// writeStarts leaves the old file or the new one, whatever happens.
func writeStarts(dir string, noted startsNoted) error {
	data, err := json.Marshal(noted)
	if err != nil {
		return fmt.Errorf("encode %s: %w", startsFile, err)
	}
	name := filepath.Join(dir, startsFile)
	f, err := os.Create(name + ".tmp")
	if err != nil {
		return err
	}
	_, err = f.Write(append(data, '\n'))
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err != nil {
		return fmt.Errorf("write %s: %w", startsFile, err)
	}
	return os.Rename(name+".tmp", name)
}
