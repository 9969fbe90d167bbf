package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
)

// copyAnswer is what 'bothy copy --json' prints, as far as it is asked here.
type copyAnswer struct {
	Verdict string `json:"verdict"`
	Reason  string `json:"reason"`
	Files   int    `json:"files"`
	Copies  []struct {
		Folder string `json:"folder"`
		State  string `json:"state"`
		Reason string `json:"reason"`
	} `json:"copies"`
}

// bothyCopy runs 'bothy copy' from a rig's first card to all its drives, and
// proves each copy once the clock has stopped.
func (b *bench) bothyCopy(ctx context.Context, r *rig, flags ...string) (usage, error) {
	if err := r.fresh(ctx); err != nil {
		return usage{}, err
	}
	args := append([]string{"copy", r.cards[0].point, "--json"}, flags...)
	for _, d := range r.drives {
		args = append(args, "--to", d.point)
	}
	u, out, err := measured(ctx, b.bothy, args...)
	if err != nil {
		return u, err
	}
	var answer copyAnswer
	if err := json.Unmarshal(out, &answer); err != nil {
		return u, fmt.Errorf("read the answer of 'bothy copy': %w", err)
	}
	if err := answer.check(len(r.drives)); err != nil {
		return u, err
	}
	for i, c := range answer.Copies {
		d := r.drives[i]
		folder, err := filepath.Rel(d.point, c.Folder)
		if err != nil || strings.HasPrefix(folder, "..") {
			return u, fmt.Errorf("%w: %s is not on %s", errUnproven, c.Folder, d.label)
		}
		if err := proveCopy(ctx, d, folder, r.cards[0].content); err != nil {
			return u, err
		}
	}
	return u, nil
}

// check wants what 'bothy copy' says of itself to be the best that so many drives
// allow: one alone releases no card.
func (a copyAnswer) check(drives int) error {
	var errs []error
	if drives > 1 && a.Verdict != "release" {
		errs = append(errs, fmt.Errorf("%w: the verdict is %q: %s", errUnproven, a.Verdict, a.Reason))
	}
	if len(a.Copies) != drives {
		errs = append(errs, fmt.Errorf("%w: %d copies were reported for %d drives", errUnproven, len(a.Copies), drives))
	}
	for _, c := range a.Copies {
		if c.State != "proven" {
			errs = append(errs, fmt.Errorf("%w: %s is %q: %s", errUnproven, c.Folder, c.State, c.Reason))
		}
	}
	return errors.Join(errs...)
}

// readLimit reads a card once, past the page cache: nothing can be faster.
func readLimit(ctx context.Context, r *rig) (usage, error) {
	if err := forget(); err != nil {
		return usage{}, err
	}
	return script(ctx, `find "$1" -type f -path '*/DCIM/*' -print0 | sort -z | while IFS= read -r -d '' f; do
	dd if="$f" of=/dev/null iflag=direct bs=4M status=none
done`, r.cards[0].point)
}

// publicTool runs a script with card, drives and a scratch folder as its
// arguments, and proves what it left on each of the drives it is said to fill.
func publicTool(ctx context.Context, r *rig, drives int, text string) (usage, error) {
	if err := r.fresh(ctx); err != nil {
		return usage{}, err
	}
	args := []string{r.cards[0].point, r.dir}
	for _, d := range r.drives {
		args = append(args, d.point)
	}
	u, err := script(ctx, text, args...)
	if err != nil {
		return u, err
	}
	for _, d := range r.drives[:drives] {
		if err := proveCopy(ctx, d, ".", r.cards[0].content); err != nil {
			return u, err
		}
	}
	return u, nil
}
