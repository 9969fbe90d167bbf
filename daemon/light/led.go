package light

import (
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Sources of the file names and of what they do: the kernel's
// Documentation/ABI/testing/sysfs-class-led, -led-trigger-pattern,
// -led-multicolor and Documentation/leds/leds-class.rst.

// led is one LED that the writer drives.
type led struct {
	name  string
	files files

	touched bool   // something may have been written to it
	shown   Look   // what it shows, when settled
	settled bool   // the last show succeeded
	full    string // max_brightness
	method  int    // index into methods of the one that works
	blinker *blinker
}

// method is one way to flash.
type method struct {
	name  string
	begin func(l *led, half time.Duration) error
	// holds reports whether the LED still flashes as begun.
	holds func(l *led, half time.Duration) bool
}

// methods in order of preference: the first two flash without this program.
func methods() []method {
	return []method{
		{"pattern trigger", (*led).beginPattern, (*led).patternHolds},
		{"timer trigger", (*led).beginTimer, (*led).timerHolds},
		{"switching it from here", (*led).beginBlinking, (*led).blinkingHolds},
	}
}

// apply shows look unless the LED does so already.
func (l *led) apply(look Look) error {
	if l.settled && l.shown == look && l.holds() {
		return nil
	}
	return l.show(look)
}

// show makes the LED show look, whatever it shows now.
func (l *led) show(look Look) error {
	l.settled = false
	blinked := l.stopBlinking()
	full, err := l.readFull()
	if err == nil {
		l.full, l.touched = full, true
		err = l.begin(look)
	}
	if err != nil {
		return errors.Join(err, blinked)
	}
	l.shown, l.settled = look, true
	return nil
}

// release switches the LED off for good. One that was never written is left
// alone, and one that has gone is dark.
func (l *led) release() error {
	if !l.touched {
		return nil
	}
	err := l.show(Look{Signal: Off})
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("switch light %s off: %w", l.name, err)
	}
	return nil
}

func (l *led) begin(look Look) error {
	if look.Signal != Off {
		if err := l.setHue(look.Colour); err != nil {
			return err
		}
	}
	half := look.Signal.half()
	if half == 0 {
		return l.beginLevel(look.Signal)
	}
	// From the one that worked last on; after the last of all, from the first.
	var failed []error
	for all := methods(); l.method < len(all); l.method++ {
		err := all[l.method].begin(l, half)
		if err == nil {
			return nil
		}
		failed = append(failed, fmt.Errorf("%s: %w", all[l.method].name, err))
	}
	l.method = 0
	return errors.Join(failed...)
}

// holds looks, without writing, whether the LED still shows what it was told to.
func (l *led) holds() bool {
	if half := l.shown.Signal.half(); half != 0 {
		return methods()[l.method].holds(l, half)
	}
	return l.hasTrigger("none") && l.checkBrightness(l.shown.Signal == Steady) == nil
}

func (l *led) readFull() (string, error) {
	text, err := l.files.Read(l.name, "max_brightness")
	if err != nil {
		return "", err
	}
	text = strings.TrimSpace(text)
	if n, err := strconv.ParseUint(text, 10, 31); err != nil || n == 0 {
		return "", fmt.Errorf("max_brightness is %.20q", text)
	}
	return text, nil
}

// beginLevel switches the LED on or off for good.
func (l *led) beginLevel(s Signal) error {
	if err := l.setTrigger("none"); err != nil {
		return err
	}
	level := "0"
	if s == Steady {
		level = l.full
	}
	if err := l.files.Write(l.name, "brightness", level); err != nil {
		return err
	}
	return l.checkBrightness(s == Steady)
}

// checkBrightness compares the brightness with what was written. A driver may
// round it, so only dark and lit are told apart; one that cannot be read is
// taken at its word.
func (l *led) checkBrightness(lit bool) error {
	text, err := l.files.Read(l.name, "brightness")
	if errors.Is(err, fs.ErrPermission) {
		return nil
	}
	if err != nil {
		return err
	}
	if text = strings.TrimSpace(text); (text != "0") != lit {
		return fmt.Errorf("brightness reads %.20q after it was written", text)
	}
	return nil
}

// setTrigger hands the LED to a trigger, "none" to nobody. A kernel without
// triggers has none of them set.
func (l *led) setTrigger(name string) error {
	err := l.files.Write(l.name, "trigger", name)
	if errors.Is(err, fs.ErrNotExist) && name == "none" {
		return nil
	}
	if err != nil {
		return err
	}
	if !l.hasTrigger(name) {
		return fmt.Errorf("the %s trigger was not taken", name)
	}
	return nil
}

// hasTrigger reads which trigger is set: the one in brackets. What cannot be
// read is taken at its word.
func (l *led) hasTrigger(name string) bool {
	text, err := l.files.Read(l.name, "trigger")
	switch {
	case errors.Is(err, fs.ErrPermission):
		return true
	case errors.Is(err, fs.ErrNotExist):
		// Either there are no triggers or the LED has gone.
		_, err = l.files.Read(l.name, "max_brightness")
		return name == "none" && err == nil
	case err != nil:
		return false
	}
	return slices.Contains(strings.Fields(text), "["+name+"]")
}

// patternOf is a square wave: a step of zero length between two levels makes the
// change sudden, where the trigger would dim gradually.
func (l *led) patternOf(half time.Duration) string {
	ms := half.Milliseconds()
	return fmt.Sprintf("%s %d %s 0 0 %d 0 0", l.full, ms, l.full, ms)
}

func (l *led) beginPattern(half time.Duration) error {
	if err := l.setTrigger("pattern"); err != nil {
		return err
	}
	// The trigger may not repeat, being left over from another program.
	if err := l.files.Write(l.name, "repeat", "-1"); err != nil {
		return err
	}
	if err := l.files.Write(l.name, "pattern", l.patternOf(half)); err != nil {
		return err
	}
	if !l.patternHolds(half) {
		return errors.New("the pattern was not taken")
	}
	return nil
}

func (l *led) patternHolds(half time.Duration) bool {
	return l.hasTrigger("pattern") && l.reads("pattern", l.patternOf(half))
}

func (l *led) beginTimer(half time.Duration) error {
	// The trigger flashes at the brightness it finds, so that comes first.
	if err := l.beginLevel(Steady); err != nil {
		return err
	}
	if err := l.setTrigger("timer"); err != nil {
		return err
	}
	// Only now are there the files that set its pace; it began with 500 ms each.
	for _, attribute := range []string{"delay_on", "delay_off"} {
		if err := l.files.Write(l.name, attribute, strconv.FormatInt(half.Milliseconds(), 10)); err != nil {
			return err
		}
	}
	if !l.timerHolds(half) {
		return errors.New("the delays were not taken")
	}
	return nil
}

func (l *led) timerHolds(half time.Duration) bool {
	ms := strconv.FormatInt(half.Milliseconds(), 10)
	return l.hasTrigger("timer") && l.reads("delay_on", ms) && l.reads("delay_off", ms)
}

// reads compares an attribute word by word; one that cannot be read is taken at
// its word.
func (l *led) reads(attribute, want string) bool {
	text, err := l.files.Read(l.name, attribute)
	if errors.Is(err, fs.ErrPermission) {
		return true
	}
	return err == nil && slices.Equal(strings.Fields(text), strings.Fields(want))
}
