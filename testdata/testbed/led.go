package testbed

import (
	"fmt"
	"strings"
)

// LED is what sysfs says about one LED.
type LED struct {
	Trigger    string // the active one
	Brightness string
	// DelayOn and DelayOff are milliseconds, "" unless the trigger is "timer".
	DelayOn, DelayOff string
	// Pattern is the content of the file of that name, "" unless the trigger is
	// "pattern".
	Pattern string
}

// String shows an LED in one line, for messages.
func (l LED) String() string {
	return fmt.Sprintf("trigger=%s brightness=%s on=%s off=%s pattern=%q", l.Trigger, l.Brightness, l.DelayOn, l.DelayOff, l.Pattern)
}

// LEDNames lists /sys/class/leds. The PC keyboard, which only amd64 has, gives three
// and the USB keyboard five, with names such as "input0::capslock".
func (g *Guest) LEDNames() []string {
	g.t.Helper()
	return strings.Fields(g.MustRun("ls /sys/class/leds"))
}

// awaitLEDs waits for the keyboards: the one on USB comes up beside the boot.
func (g *Guest) awaitLEDs() {
	g.t.Helper()
	g.WaitFor("the LEDs of the keyboards", deviceLimit, func() (bool, string) {
		names := g.LEDNames()
		return len(names) >= g.arch.leds, strings.Join(names, " ")
	})
}

// LED reads one LED.
func (g *Guest) LED(name string) LED {
	g.t.Helper()
	const script = `cd "/sys/class/leds/$0" || exit 1
		for f in trigger brightness delay_on delay_off pattern; do
			echo "$f=$(cat $f 2>/dev/null | tr '\n' ' ')"; done`
	res := g.RunFor(commandLimit, "sh", "-c", script, name)
	if res.Exit != 0 {
		g.t.Fatalf("read LED %s: %s", name, res.Stderr)
	}
	values := map[string]string{}
	for line := range strings.Lines(res.Stdout) {
		key, value, _ := strings.Cut(line, "=")
		values[key] = strings.TrimSpace(value)
	}
	_, active, _ := strings.Cut(values["trigger"], "[")
	active, _, _ = strings.Cut(active, "]")
	return LED{
		Trigger: active, Brightness: values["brightness"],
		DelayOn: values["delay_on"], DelayOff: values["delay_off"], Pattern: values["pattern"],
	}
}
