package daemon

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"bothy/daemon/ledger"
	"bothy/daemon/state"
)

// nameDrive gives a drive its identity. What is said of it under another name that
// it had is said under the new one.
func (s *supervisor) nameDrive(d *drive, id Identity) {
	before, was := d.subject(), d.identity
	d.identity = id
	if was.ID == "" || before == id.Name {
		return
	}
	for key, c := range s.conditions {
		ofDrive := key.code == state.CopyDamaged || strings.HasPrefix(string(key.code), "drive-")
		if ofDrive && key.subject == before && s.drivesNamed(before) == 0 {
			s.clear(key.code, before)
			s.raise(key.code, id.Name, c.Detail)
		}
	}
	for _, o := range s.offloads {
		for i := range o.Copies {
			if o.Copies[i].DriveID == id.ID {
				o.Copies[i].DriveName = id.Name
			}
		}
	}
	s.cfg.Log.Info("drive is called otherwise now", "drive", id.Name, "before", before)
}

func (s *supervisor) drivesNamed(name string) (n int) {
	for _, d := range s.drives {
		if !d.gone && d.identity.Name == name {
			n++
		}
	}
	return n
}

// namesInUse are the ids of drives by their names, as sameName has them, but for
// retired ones and the one with id but.
func (s *supervisor) namesInUse(but string) map[string]string {
	names := map[string]string{}
	for _, r := range s.remembered {
		if r.ID != but && !s.retired.has(r.ID) {
			names[sameName(r.Name)] = r.ID
		}
	}
	for _, d := range s.drives {
		if id := d.identity.ID; id != "" && id != but && !d.gone && !s.retired.has(id) {
			names[sameName(d.identity.Name)] = id
		}
	}
	return names
}

// sameName makes names equal that people take for one.
func sameName(name string) string { return strings.ToLower(strings.Join(strings.Fields(name), " ")) }

// freeName is a name like the wanted one that no other drive has.
func freeName(want string, inUse map[string]string) string {
	name := want
	for n := 2; inUse[sameName(name)] != "" && n < 10_000; n++ {
		end := fmt.Sprintf("-%d", n)
		runes := []rune(want)
		name = string(runes[:min(len(runes), 64-len(end))]) + end
	}
	return name
}

// checkNames raises which attached drives are called as another one is: they came
// with their names from elsewhere.
func (s *supervisor) checkNames() {
	clash := map[string]string{}
	for _, d := range s.drives {
		if d.identity.ID == "" || d.gone || s.retired.has(d.identity.ID) {
			continue
		}
		if other := s.namesInUse(d.identity.ID)[sameName(d.identity.Name)]; other != "" {
			clash[d.identity.Name] = fmt.Sprintf("the drives with the ids %s and %s; until one has another name, commands want the id", d.identity.ID, other)
		}
	}
	for key := range s.conditions {
		if key.code == state.DriveNameClash && clash[key.subject] == "" {
			s.clear(key.code, key.subject)
		}
	}
	for name, what := range clash {
		s.raise(state.DriveNameClash, name, what)
	}
}

// maxFormerly bounds how many former names of a drive are shown.
const maxFormerly = 5

// recallNames reads from the ledger what drives were called before.
func (s *supervisor) recallNames(ctx context.Context) {
	events, err := s.ledger.DriveEvents(ctx)
	s.ledgerResult(err)
	if err != nil {
		return
	}
	s.formerly = map[string][]string{}
	for _, r := range s.remembered {
		var names []string
		for _, e := range events[r.ID] {
			if e.What == ledger.DriveRenamed && e.NameBefore != r.Name && !slices.Contains(names, e.NameBefore) {
				names = append(names, e.NameBefore)
			}
		}
		if len(names) > 0 {
			s.formerly[r.ID] = names[max(0, len(names)-maxFormerly):]
		}
	}
}
