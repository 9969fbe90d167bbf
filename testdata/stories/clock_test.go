package stories

import (
	"encoding/json"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"bothy/testdata/testbed"
)

// A box whose clock begins in 1970, as one without a battery for it does, is stepped
// forward in mid-copy, is right for a while, and goes back to 1970 in mid-copy of another
// card. No step costs a release or a byte; what was named and written while nobody knew
// the time says so, and what came later stays later, over a start too.
//
// That the clock is right is said as systemd-timesyncd says it, by its file: there is no
// time server here.
func TestStory_clockThatJumps(t *testing.T) {
	inTurn(t, 0)
	t.Parallel()
	const (
		dawn  = "date -u -s '1970-01-01 06:00:00'" // less than the time since boot the kernel does not take
		noon  = "date -u -s '2026-06-22 12:00:00'"
		right = "mkdir -p /run/systemd/timesync && touch /run/systemd/timesync/synchronized"
		wrong = "rm /run/systemd/timesync/synchronized"
	)
	labels := []string{"SKUA_T1", "SKUA_T2", "SKUA_T3"}
	var trees []Tree
	var cards []testbed.USBDisk
	for i, label := range labels {
		trees = append(trees, NewTree(t, label, 0, 7-6*(i%2), 4))
		card := testbed.MakeImage(t, testbed.FAT32, 64*testbed.MiB, label, trees[i].dir)
		options := testbed.USBOptions{Removable: true}
		if i != 1 {
			options.ReadBps, options.WriteBps = crawl, 1<<20
		}
		cards = append(cards, testbed.USBDisk{ID: label, Image: card, Options: options})
	}
	kinds := []testbed.FS{testbed.ExFAT, testbed.FAT32} // which have no time before 1980
	var drives []string
	for i, fs := range kinds {
		drives = append(drives, testbed.MakeImage(t, fs, 128*testbed.MiB, "SKERRY_"+string(rune('A'+i)), ""))
	}
	b := StartBox(t, besides, testbed.Options{})
	b.MustRun(dawn + " && systemctl restart bothy")
	b.PlugUSB("drive-0", drives[0], testbed.USBOptions{})
	b.PlugUSB("drive-1", drives[1], testbed.USBOptions{})
	// inTheMiddle plugs a card in and does something while it is being copied.
	inTheMiddle := func(card testbed.USBDisk, do string) {
		b.PlugUSB(card.ID, card.Image, card.Options)
		b.inMidCopy(5)
		b.MustRun(do)
		b.Throttle(card.ID, 16<<20, 1<<20)
	}
	released := func(label string, trusted bool) {
		t.Helper()
		s := b.UntilDecided(label, "release")
		if s.ClockTrusted != trusted || s.HasCondition("clock-untrusted") == trusted {
			t.Errorf("with %s released the clock counts as right: %v, want %v; conditions %+v", label, s.ClockTrusted, trusted, s.Conditions)
		}
		b.UnplugUSB(label)
	}
	inTheMiddle(cards[0], noon)
	released(labels[0], false)
	b.MustRun(right)
	b.Until("the clock is believed", func(s Status) bool { return s.ClockTrusted })
	b.PlugUSB(cards[1].ID, cards[1].Image, cards[1].Options)
	released(labels[1], true)
	inTheMiddle(cards[2], wrong+" && "+dawn)
	released(labels[2], false)

	b.inOrder(labels)
	b.MustRun("systemctl restart bothy")
	b.inOrder(labels)
	if reply, ok, why := b.HTTPGet("/metrics"); !ok {
		t.Errorf("no metrics: %s", why)
	} else if less := regexp.MustCompile(`(?m)^bothy_.* -.*`).FindAllString(string(reply.Body), -1); less != nil {
		t.Errorf("with the clock in 1970 there is less than nothing: %q", less)
	}
	if page, ok, why := b.HTTPGet("/"); !ok || !strings.Contains(string(page.Body), "clock") {
		t.Errorf("the page does not speak of the clock (%s)", why)
	}
	b.MustRun("systemctl stop bothy")
	b.UnplugUSB("drive-0")
	b.UnplugUSB("drive-1")
	for i, image := range drives {
		e := Extract(t, kinds[i], image)
		e.MustHoldEach(t, trees...)
		for k, tree := range trees {
			// The third was named before the clock went, and its manifest written after.
			unsureName, unsureManifest := k == 0, k != 1
			for _, copy := range e.Finished(t) {
				if !hasAll(t, copy, entries(t, tree.dir)) {
					continue
				}
				// Nothing is older than the newest file of the card, of 21 June.
				name := filepath.Base(filepath.Dir(copy)) + "/" + filepath.Base(copy)
				if !strings.HasPrefix(name, "2026-06-2") || strings.HasSuffix(name, "-clock-unsure") != unsureName {
					t.Errorf("%s was copied to %s", labels[k], name)
				}
				if says := manifestsSay(t, copy, "The clock was not synchronised"); says != unsureManifest {
					t.Errorf("the manifest of %s says that the clock was not right: %v, want %v", name, says, unsureManifest)
				}
			}
		}
	}
}

// inOrder checks that the box lists the off-loads by when they came, the last one first,
// whatever the clock said.
func (b *Box) inOrder(labels []string) {
	b.t.Helper()
	var list struct {
		Offloads []struct {
			CardLabel string `json:"card_label"`
		}
	}
	b.Until("the box watches", func(s Status) bool { return s.Phase == "watching" })
	reply, ok, why := b.HTTPGet("/v1/offloads")
	if !ok {
		b.t.Fatalf("no offloads: %s", why)
	}
	if err := json.Unmarshal(reply.Body, &list); err != nil {
		b.t.Fatalf("%v: %s", err, reply.Body)
	}
	var got []string
	for _, o := range list.Offloads {
		got = append([]string{o.CardLabel}, got...)
	}
	if strings.Join(got, " ") != strings.Join(labels, " ") {
		b.t.Errorf("the cards came as %v, and are listed as %v", labels, got)
	}
}

func manifestsSay(t *testing.T, copy, words string) bool {
	t.Helper()
	manifests, err := filepath.Glob(filepath.Join(copy, "ascmhl", "*.mhl"))
	if err != nil || len(manifests) == 0 {
		t.Fatalf("manifests of %s: %v, %v", copy, manifests, err)
	}
	for _, m := range manifests {
		text, err := os.ReadFile(m)
		if err != nil {
			t.Fatal(err)
		}
		if strings.Contains(string(text), words) {
			return true
		}
	}
	return false
}
