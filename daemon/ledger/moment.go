package ledger

import (
	"fmt"
	"time"
)

// Moment is a point in time as well as the box can know it. Boards often have no
// clock that outlives a power cut, so the wall clock comes with what is known
// about it. Moments are for display and for judging ages; nothing is ordered by
// them.
type Moment struct {
	Wall      time.Time     // stored in UTC with nanoseconds; zero means never. Years 1 to 9999
	Trusted   bool          // the wall clock was known to be synchronised
	BootID    string        // of the kernel, from /proc/sys/kernel/random/boot_id
	SinceBoot time.Duration // on CLOCK_BOOTTIME
}

// momentColumns is a Moment as the four columns of a table.
type momentColumns struct {
	wall      string
	trusted   int64
	boot      string
	sinceBoot int64
}

func (m Moment) columns() momentColumns {
	c := momentColumns{wall: stampOf(m.Wall), boot: cleanText(m.BootID), sinceBoot: int64(m.SinceBoot)}
	if m.Trusted {
		c.trusted = 1
	}
	return c
}

func (c momentColumns) args() []any { return []any{c.wall, c.trusted, c.boot, c.sinceBoot} }

func (c *momentColumns) targets() []any { return []any{&c.wall, &c.trusted, &c.boot, &c.sinceBoot} }

func (c momentColumns) moment() (Moment, error) {
	wall, err := timeOf(c.wall)
	if err != nil {
		return Moment{}, err
	}
	return Moment{Wall: wall, Trusted: c.trusted != 0, BootID: c.boot, SinceBoot: time.Duration(c.sinceBoot)}, nil
}

// stampOf writes a time as RFC 3339 in UTC. A year that the format cannot hold
// (a card may claim any) is written as never.
func stampOf(t time.Time) string {
	t = t.UTC()
	if t.IsZero() || t.Year() < 1 || t.Year() > 9999 {
		return ""
	}
	return t.Format(time.RFC3339Nano)
}

func timeOf(stamp string) (time.Time, error) {
	if stamp == "" {
		return time.Time{}, nil
	}
	t, err := time.Parse(time.RFC3339Nano, stamp)
	if err != nil {
		return time.Time{}, fmt.Errorf("%w: %q is not a time", ErrDamaged, stamp)
	}
	return t.UTC(), nil
}
