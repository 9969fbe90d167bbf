package policy

import (
	"fmt"
	"time"

	"github.com/pelletier/go-toml/v2/unstable"
)

// policy reads the whole file.
func (d *decoder) policy(root *table) *Policy {
	p := &Policy{
		Box:    Box{Copies: DefaultCopies, Parallel: DefaultParallel, Timezone: "UTC", Location: time.UTC},
		Status: StatusSettings{Listen: DefaultListen},
		Patrol: Patrol{Hours: DefaultPatrolHours, SharePercent: DefaultPatrolShare, After: DefaultPatrolAfter},
		Power:  Power{Begin: DefaultPowerBegin, Park: DefaultPowerPark},
	}
	d.fields(root, "a policy", []field{
		{"box", func(v *value) { d.box(d.single(v), &p.Box) }},
		{"status", func(v *value) { d.status(d.single(v), &p.Status) }},
		{"patrol", func(v *value) { d.patrol(d.single(v), &p.Patrol) }},
		{"power", func(v *value) { d.power(d.single(v), &p.Power) }},
		{"card", func(v *value) { d.each(v, func(t *table) { p.Cards = append(p.Cards, d.card(t)) }) }},
		{"drive", func(v *value) { d.each(v, func(t *table) { p.Drives = append(p.Drives, d.drive(t)) }) }},
		{"light", func(v *value) { d.each(v, func(t *table) { p.Lights = append(p.Lights, d.light(t)) }) }},
	})
	// An empty or truncated file must not pass for a policy that wants nothing.
	if len(d.errs) == 0 {
		const hint, nothing = "add a [[%s]] table", "there is no %s rule, so nothing would ever be copied"
		switch {
		case len(p.Cards)+len(p.Drives) == 0:
			d.fail(root.at, "add a [[card]] and a [[drive]] table; bothy-policy(5) explains them", "there are no rules yet, so nothing would ever be copied")
			d.errs[0].cause = ErrNoRules
		case len(p.Cards) == 0:
			d.fail(root.at, fmt.Sprintf(hint, "card"), nothing, "card")
		case len(p.Drives) == 0:
			d.fail(root.at, fmt.Sprintf(hint, "drive"), nothing, "drive")
		}
	}
	d.unique(root, "card", "name", "choose another, so that sentences about it are clear")
	d.unique(root, "drive", "name", "choose another, so that sentences about it are clear")
	d.unique(root, "drive", "path", "one folder is one drive")
	d.unique(root, "light", "led", "each LED takes one rule")
	return p
}

func (d *decoder) box(t *table, b *Box) {
	d.fields(t, "[box]", []field{
		{"name", d.text(&b.Name, checkName)},
		{"copies", d.integer(&b.Copies, 1, MaxCopies)},
		{"parallel", d.integer(&b.Parallel, 1, MaxParallel)},
		{"timezone", d.text(&b.Timezone, func(s string) *flaw {
			location, f := loadZone(s)
			if f == nil {
				b.Location = location
			}
			return f
		})},
	})
}

func (d *decoder) status(t *table, s *StatusSettings) {
	d.fields(t, "[status]", []field{
		{"listen", d.text(&s.Listen, func(s string) *flaw {
			if s == "" || s == "off" {
				return nil
			}
			return checkListen(s)
		})},
		{"web_config", d.text(&s.WebConfig, func(s string) *flaw { return checkPath(s, "/etc/bothy/web.yml") })},
	})
	if s.Listen == "off" {
		s.Listen = ""
	}
}

func (d *decoder) patrol(t *table, p *Patrol) {
	d.fields(t, "[patrol]", []field{
		{"hours", d.integer(&p.Hours, 0, 24)},
		{"share", d.integer(&p.SharePercent, 1, 100)},
		{"after", d.text(new(string), func(s string) (f *flaw) { p.After, f = parseDays(s, `write a number of days, like "30d"`); return f })},
	})
}

func (d *decoder) power(t *table, p *Power) {
	faults := len(d.errs)
	d.fields(t, "[power]", []field{
		{"begin", d.integer(&p.Begin, 0, 100)},
		{"park", d.integer(&p.Park, 0, 100)},
	})
	if len(d.errs) > faults || p.Begin == 0 || p.Park < p.Begin { // a level that is off stands in nobody's way
		return
	}
	at := t.at
	for _, key := range []string{"begin", "park"} {
		if e := t.find(key); e != nil {
			at = e.at
		}
	}
	d.fail(at, "write a lower one, or 0 to mind that level never", "park is %d and must be below begin, which is %d", p.Park, p.Begin)
}

// conditions are the keys that card and drive rules share.
func (d *decoder) conditions(c *Conditions) []field {
	return []field{
		{"label", d.patterns(&c.Label)},
		{"uuid", d.patterns(&c.UUID)},
		{"serial", d.patterns(&c.Serial)},
		{"vendor", d.patterns(&c.Vendor)},
		{"model", d.patterns(&c.Model)},
		{"slot", d.patterns(&c.Slot)},
		{"fs", d.patterns(&c.FS)},
		{"bus", d.patterns(&c.Bus)},
		{"size", func(v *value) {
			if !d.isText(v) {
				return
			}
			var f *flaw
			if c.Size, f = parseRange(v.text); f != nil {
				d.failIn(v, f)
			}
		}},
		{"udev", func(v *value) { d.udev(v, &c.Udev) }},
	}
}

func (d *decoder) udev(v *value, dst *map[string]Patterns) {
	if v.kind != unstable.Table {
		d.fail(v.at, `write it in braces, like { ID_DRIVE_FLASH_SD = "1" }`, "udev must be a table of properties, not %s", kindName(v.kind))
		return
	}
	if len(v.table.entries) == 0 {
		d.fail(v.at, "leave it out to ask nothing", "udev names no property")
	}
	if len(v.table.entries) > maxListLength {
		d.fail(v.at, "", "udev names more than %d properties", maxListLength)
		return
	}
	*dst = make(map[string]Patterns)
	for _, e := range v.table.entries {
		if f := checkProperty(e.key); f != nil {
			d.fail(e.at, f.hint, "udev: %s", f.message)
			continue
		}
		var ps Patterns
		d.patterns(&ps)(e.value)
		(*dst)[e.key] = ps
	}
}

// conditionKeys are those of which a rule needs one.
var conditionKeys = []string{"label", "uuid", "serial", "vendor", "model", "slot", "fs", "bus", "size", "udev"}

// has reports whether t has one of keys, right or wrong.
func (t *table) has(keys ...string) bool {
	for _, key := range keys {
		if t.find(key) != nil {
			return true
		}
	}
	return false
}

// needs complains when t lacks key.
func (d *decoder) needs(t *table, what, key, hint string) {
	if !t.has(key) {
		d.fail(t.at, hint, "this %s rule has no %s", what, key)
	}
}

func (d *decoder) card(t *table) CardRule {
	r := CardRule{Line: t.at.line, Folder: DefaultFolder, Verify: VerifyReadBack, Checksum: DefaultChecksum, Dirty: DirtyHold}
	d.fields(t, "[[card]]", append([]field{
		{"name", d.text(&r.Name, checkName)},
		{"holds", d.list(&r.Holds, checkHolds)},
		{"folder", d.text(&r.Folder, func(s string) *flaw { _, f := parseTemplate(s); return f })},
		{"verify", d.choice(&r.Verify, VerifySize, VerifyReadBack, VerifyReadBackTwice)},
		{"dirty", d.choice(&r.Dirty, DirtyHold, DirtyAccept)},
		{"checksum", d.choice(&r.Checksum, "xxh128", "xxh64", "xxh3", "md5", "sha1", "c4")},
		{"ignore", d.list(&r.Ignore, checkIgnore)},
	}, d.conditions(&r.Conditions)...))
	d.needs(t, "card", "name", `give it one, like name = "stills"`)
	if !t.has(conditionKeys...) && !t.has("holds") {
		d.fail(t.at, `say which media it takes, like label = "SKUA_*" or holds = ["DCIM/*"]`, "this card rule would take every medium")
	}
	return r
}

func (d *decoder) drive(t *table) DriveRule {
	r := DriveRule{Line: t.at.line, ReserveBytes: DefaultReserveBytes, Enrol: EnrolAuto, ReadBack: ReadBackAuto, WhenFull: FullNext, Role: RoleCopies}
	d.fields(t, "[[drive]]", append([]field{
		{"name", d.text(&r.Name, checkName)},
		{"path", d.text(&r.Path, checkDrivePath)},
		{"reserve", d.size(&r.ReserveBytes, minReserveBytes)},
		{"enrol", d.choice(&r.Enrol, EnrolAuto, EnrolAsk)},
		{"read_back", d.choice(&r.ReadBack, ReadBackAuto, ReadBackOverlap, ReadBackAfter)},
		{"when_full", d.choice(&r.WhenFull, FullNext, FullHold)},
		{"mirror", d.text(&r.Mirror.Text, func(s string) (f *flaw) { r.Mirror.None, r.Mirror.Within, f = parseMirror(s); return f })},
		{"mirror_folders", d.patterns(&r.Mirror.Folders)},
		{"role", d.choice(&r.Role, RoleCopies, RoleShuttle)},
		{"select", func(v *value) { d.selection(v, &r.Select) }},
		{"counts", d.flag(&r.Counts)},
	}, d.conditions(&r.Conditions)...))
	d.role(t, r)
	d.needs(t, "drive", "name", `give it one, like name = "bay"`)
	if path := t.find("path"); path != nil {
		for _, key := range conditionKeys {
			if other := t.find(key); other != nil {
				d.fail(other.at, "split it into two rules", "%s cannot stand beside path: a folder is no device", key)
			}
		}
	} else if !t.has(conditionKeys...) {
		d.fail(t.at, `say which media it takes, like slot = "platform-*-usb-0:1.*", or give a path`, "this drive rule would take every medium")
	}
	return r
}

func (d *decoder) light(t *table) LightRule {
	r := LightRule{Line: t.at.line}
	d.fields(t, "[[light]]", []field{
		{"shows", d.choice(&r.Shows, ShowsCard, ShowsDrive, ShowsBox)},
		{"slot", d.patterns(&r.Slot)},
		{"led", d.text(&r.LED, checkLED)},
		{"colour", d.choice(&r.Colour, "green", "yellow", "red", "")},
	})
	d.needs(t, "light", "shows", `say what it shows: "card", "drive" or "box"`)
	d.needs(t, "light", "led", "name one that ls /sys/class/leds shows")
	if slot := t.find("slot"); slot != nil && r.Shows == ShowsBox {
		d.fail(slot.at, "leave it out", "a light that shows the box has no slot")
	}
	return r
}

// unique complains about rules of one kind that share what stands under key.
func (d *decoder) unique(root *table, kind, key, hint string) {
	rules := root.find(kind)
	if rules == nil {
		return
	}
	seen := make(map[string]int)
	for _, rule := range rules.items {
		if rule.table == nil {
			continue
		}
		v := rule.table.find(key)
		if v == nil || v.kind != unstable.String {
			continue
		}
		if line, twice := seen[v.text]; twice {
			d.fail(v.at, hint, "the %s rule of line %d has the same %s", kind, line, key)
			continue
		}
		seen[v.text] = v.at.line
	}
}
