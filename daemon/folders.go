package daemon

import (
	"context"
	"maps"
	"os"
	"slices"

	"bothy/policy"
)

// folder is one that a drive rule names, and what the last look for it said.
type folder struct {
	there   bool
	looking bool // a look is under way; one that hangs is not joined by others
}

func isFolder(path string) bool {
	info, err := os.Stat(path)
	return err == nil && info.IsDir()
}

// watchFolders begins to find out which of the folders that drive rules name
// are there. To look for one may hang, as on a network drive whose server went
// away.
func (s *supervisor) watchFolders(ctx context.Context) {
	for path := range s.folderRules() {
		f, known := s.folders[path]
		if !known {
			f = &folder{}
			s.folders[path] = f
		}
		if !f.looking {
			s.lookForFolder(ctx, path, f, !known)
		}
	}
	s.settleFolders(ctx) // of rules that are gone
}

// folderRules are the drive rules that name a folder, by its path.
func (s *supervisor) folderRules() map[string]*policy.DriveRule {
	rules := map[string]*policy.DriveRule{}
	if s.policy == nil {
		return rules
	}
	for i := range s.policy.Drives {
		if rule := &s.policy.Drives[i]; rule.Path != "" {
			rules[rule.Path] = rule
		}
	}
	return rules
}

// lookForFolder looks for one. Cards wait for the first look, so that they find
// all drives; not for later ones.
func (s *supervisor) lookForFolder(ctx context.Context, path string, f *folder, first bool) {
	f.looking = true
	if first {
		s.looking++
	}
	s.work.Go(func() {
		there, err := patiently(ctx, s.cfg.Patience, func(context.Context) (bool, error) {
			return s.cfg.FolderThere(path), nil
		}, func(bool) {
			s.post(func() { f.looking = false }) // it has come back after all
		})
		s.post(func() {
			if first {
				s.looking--
			}
			if err == nil {
				f.looking = false
			}
			f.there = there && err == nil
			s.settleFolders(ctx)
		})
	})
}

// settleFolders makes drives of the folders that are there.
func (s *supervisor) settleFolders(ctx context.Context) {
	wanted := s.folderRules()
	maps.DeleteFunc(wanted, func(path string, _ *policy.DriveRule) bool { return !s.folders[path].there })
	for _, d := range s.drives {
		if d.path == "" {
			continue
		}
		if rule := wanted[d.path]; rule != nil {
			before := uncounted(d.rule)
			d.rule = rule
			if uncounted(rule) != before {
				s.counting(d)
			}
			delete(wanted, d.path)
		} else if d.users == 0 {
			s.driveLeft(d)
		}
	}
	s.drives = slices.DeleteFunc(s.drives, func(d *drive) bool { return d.gone })
	for _, path := range slices.Sorted(maps.Keys(wanted)) {
		d := &drive{path: path, rule: wanted[path], share: newShare()}
		s.drives = append(s.drives, d)
		s.identify(ctx, d)
	}
}
