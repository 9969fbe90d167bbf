package light

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"sync"
)

// Root is where Linux shows its LEDs.
const Root = "/sys/class/leds"

// Writer drives LEDs. Its methods may be called from several goroutines; it is
// of no use after Close.
type Writer struct {
	files files
	mu    sync.Mutex
	leds  map[string]*led // guarded by mu: those driven since the writer was made
}

// NewWriter returns a writer for the LEDs below root, Root on a real box. It
// touches nothing yet.
func NewWriter(root string) *Writer { return newWriter(sysfs{root}) }

func newWriter(f files) *Writer { return &Writer{files: f, leds: map[string]*led{}} }

// Apply makes the LEDs show looks and returns an error for each that cannot be
// driven, by name; it is nil when all can. The others show what they are to
// show, and the failed ones are tried again with the next Apply. An LED of an
// earlier Apply that is not in looks any more is switched off and let go.
//
// An LED that shows the right thing already is not written. That is seen by
// reading it, so an LED that was unplugged and came back, or was taken over by
// another program, is set right by the next Apply.
//
// Apply returns within the time that a few small sysfs writes take; it blocks
// for longer only if a driver does.
func (w *Writer) Apply(looks map[string]Look) map[string]error {
	w.mu.Lock()
	defer w.mu.Unlock()
	failed := map[string]error{}
	for _, name := range slices.Sorted(maps.Keys(w.leds)) {
		if _, wanted := looks[name]; !wanted {
			if err := w.leds[name].release(); err != nil {
				failed[name] = err
			}
			delete(w.leds, name)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(looks)) {
		if err := w.applyLocked(name, looks[name]); err != nil {
			failed[name] = fmt.Errorf("drive light %s: %w", name, err)
		}
	}
	if len(failed) == 0 {
		return nil
	}
	return failed
}

func (w *Writer) applyLocked(name string, look Look) error {
	if err := checkName(name); err != nil {
		return err
	}
	if urgency(look.Signal) < 0 {
		return fmt.Errorf("there is no signal %q", look.Signal)
	}
	if look.Signal == Off {
		look.Colour = NoColour // a dark light has none
	}
	one, ok := w.leds[name]
	if !ok {
		one = &led{name: name, files: w.files}
		w.leds[name] = one
	}
	return one.apply(look)
}

// Close switches every LED off that the writer drove, and waits for its
// goroutines. A box whose program has ended shows no light.
func (w *Writer) Close() error {
	w.mu.Lock()
	defer w.mu.Unlock()
	var failed []error
	for _, name := range slices.Sorted(maps.Keys(w.leds)) {
		failed = append(failed, w.leds[name].release())
	}
	clear(w.leds)
	return errors.Join(failed...)
}
