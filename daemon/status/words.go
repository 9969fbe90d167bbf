package status

import (
	"fmt"
	"strconv"
	"time"

	"bothy/daemon/state"
)

// look is how one answer is shown: a shape that can be told apart without
// colour, a tone for the colour, and the words.
type look struct {
	Shape  string // release, hold, working, away
	Tone   string // safe, caution, danger, plain
	Word   string
	Advice string
}

// mark is the shape in plain text.
func (l look) Mark() string {
	switch l.Shape {
	case "release":
		return "[+]"
	case "working":
		return "[~]"
	case "away":
		return "[ ]"
	}
	return "[!]"
}

// cardLook answers the one question. RELEASE needs a decided card with the
// verdict release; whatever is not understood is a HOLD.
func cardLook(c Card) look {
	switch state.CardPhase(c.Phase) {
	case state.CardLooking:
		return look{"working", "caution", "WORKING", "the card is being looked at; leave everything in"}
	case state.CardQueued:
		return look{"working", "caution", "WORKING", "the card waits for its turn; leave everything in"}
	case state.CardWorking:
		return look{"working", "caution", "WORKING", "leave everything in"}
	case state.CardDecided:
		if c.Verdict == string(state.Release) {
			return look{"release", "safe", "RELEASE", "take it out, reuse it"}
		}
	}
	if c.HoldKind == string(state.NeedsDrive) {
		return look{"hold", "caution", "HOLD", "do not reuse it yet: another drive is needed"}
	}
	return look{"hold", "danger", "HOLD", "do not reuse it: somebody must look"}
}

// driveLook says first whether the drive may be pulled: the most urgent answer
// wins, and "may be pulled" is only said of a medium the box itself unmounted.
func driveLook(d Drive) look {
	switch {
	case d.InUse && d.Failing:
		return look{"working", "danger", "IN USE, FAILING", "do not pull it"}
	case d.InUse:
		return look{"working", "caution", "IN USE", "do not pull it"}
	case d.Retired && !d.Attached:
		return look{"away", "plain", "RETIRED", "not attached; what it holds does not count"}
	case d.Retired:
		return look{"away", "caution", "RETIRED", "what it holds does not count; " + pulling(d)}
	case !d.Attached:
		return look{"away", "plain", "AWAY", "not attached"}
	case d.Refused:
		return look{"hold", "caution", "NOT USED", "nothing is written to it; " + pulling(d)}
	case d.Failing:
		return look{"hold", "danger", "FAILING", "set aside; " + pulling(d)}
	case d.Full:
		return look{"hold", "danger", "FULL", "below its reserve; " + pulling(d)}
	}
	if d.Health == state.HealthFailing {
		return look{"hold", "caution", "IDLE, UNWELL", "says that it fails; " + pulling(d)}
	}
	return look{"release", "safe", "IDLE", pulling(d)}
}

func pulling(d Drive) string {
	if d.Path != "" {
		return "a folder: unmount it before you pull its disk"
	}
	return "may be pulled"
}

func severityLook(severity string) look {
	switch severity {
	case state.Notice.String():
		return look{"away", "plain", "NOTICE", ""}
	case state.Attention.String():
		return look{"hold", "caution", "ATTENTION", ""}
	}
	return look{"hold", "danger", "DANGER", ""}
}

func offloadLook(o Offload) look {
	switch {
	case o.Running:
		return look{"working", "caution", "WORKING", ""}
	case o.Verdict == string(state.Release):
		return look{"release", "safe", "RELEASE", ""}
	}
	return look{"hold", "caution", "HOLD", ""}
}

func copyLook(c Copy) look {
	switch state.CopyPhase(c.Phase) {
	case state.CopyWaiting:
		return look{"away", "plain", "waits for its turn", ""}
	case state.CopyCopying:
		return look{"working", "caution", "being written", ""}
	case state.CopyProving:
		return look{"working", "caution", "being read back", ""}
	case state.CopyFinishing:
		return look{"working", "caution", "manifest and ledger being written", ""}
	case state.CopyBehind:
		return look{"working", "caution", "slower than the others; goes on when they are done", ""}
	case state.CopyHanded:
		return look{"away", "plain", "on a shuttle: what was chosen is proven there, and counts for no release", ""}
	case state.CopyUnproven:
		return look{"hold", "caution", "written, not read back", ""}
	case state.CopyUnfinished:
		return look{"hold", "caution", "unfinished", ""}
	case state.CopyProven:
		return look{"release", "safe", "proven", ""}
	case state.CopyRefused:
		return look{"hold", "danger", "refused before the first byte", ""}
	case state.CopyFailed:
		return look{"hold", "danger", "failed", ""}
	case state.CopyIncomplete:
		return look{"hold", "danger", "incomplete: parts of the card could not be read", ""}
	}
	return look{"hold", "danger", clean(c.Phase), ""}
}

func phaseSentence(phase string) string {
	switch state.Phase(phase) {
	case state.Starting:
		return "the box is starting and checks itself"
	case state.Watching:
		return "the box is watching for cards"
	case state.Stopping:
		return "the box is stopping; unfinished work goes on after the next start"
	}
	return "the box is in a phase unknown to this program: " + clean(phase)
}

// powerGood is the level at which everything goes on.
const powerGood = "good"

// powerSentence says how the box is supplied; empty where there is no battery.
func powerSentence(p Power) string {
	switch {
	case !p.Battery:
		return ""
	case p.ChargePercent == nil:
		return "battery: not known how full it is, so all work goes on: " + clean(p.Note)
	}
	s := fmt.Sprintf("battery: %d %%", *p.ChargePercent)
	switch {
	case p.External == nil:
	case *p.External:
		s += ", and the box is fed"
	default:
		s += ", and the box lives on it"
	}
	switch p.Level {
	case powerGood:
	case string(state.LowPower):
		s += "; nothing new is begun"
	case string(state.Parked):
		s += "; all work is parked"
	default:
		s += "; " + clean(p.Level)
	}
	return s
}

func size(n int64) string { return state.Size(n) }

// percent is done of all, rounded down so that 100 means complete.
func percent(done, all int64) int {
	if all <= 0 || done < 0 {
		return 0
	}
	return int(float64(min(done, all)) / float64(all) * 100)
}

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + many
}

// span prints a time as people read it: seconds below a minute, to five from ten
// on; half minutes below ten minutes, minutes below ten hours, then hours.
func span(seconds int64) string {
	switch {
	case seconds < 10:
		return strconv.FormatInt(max(seconds, 0), 10) + " s"
	case seconds < 58:
		return strconv.FormatInt((seconds+2)/5*5, 10) + " s"
	case seconds < 585:
		halves := (seconds + 15) / 30
		if halves%2 == 1 {
			return fmt.Sprintf("%d min 30 s", halves/2)
		}
		return fmt.Sprintf("%d min", halves/2)
	case seconds < 3570:
		return strconv.FormatInt((seconds+30)/60, 10) + " min"
	case seconds < 36000:
		return fmt.Sprintf("%d h %d min", (seconds+30)/3600, (seconds+30)%3600/60)
	}
	return strconv.FormatInt((seconds+1800)/3600, 10) + " h"
}

// TimeLeft says in words how long something still takes: in all, and how much of
// it is copying and proof. It is empty when that is not known.
func TimeLeft(l state.Left) string { return leftWords(renderLeft(l)) }

// leftWords says how long something still takes; "" when nobody knows.
func leftWords(l Left) string {
	switch {
	case l.Seconds <= 0:
		return ""
	case l.CopyingSeconds <= 0:
		return "about " + span(l.Seconds) + " left, all of it proof"
	case l.ProvingSeconds <= 0:
		return "about " + span(l.Seconds) + " left, all of it copying"
	}
	return "about " + span(l.Seconds) + " left: " + span(l.CopyingSeconds) + " of copying, " + span(l.ProvingSeconds) + " of proof"
}

// roomWords says how much more goes on a drive; "" when nobody knows.
func roomWords(d Drive) string {
	if d.CardsLeft == nil || d.HoursLeft == nil {
		return ""
	}
	const day, manyDays = 24, 3
	left := count(*d.HoursLeft, "hour", "hours")
	if *d.HoursLeft >= manyDays*day {
		left = count(*d.HoursLeft/day, "day", "days")
	}
	return "room for " + count(*d.CardsLeft, "card", "cards") + " or " + left + " at the pace of the last days"
}

// part is a share of one in whole percent, rounded down so that 100 means all.
func part(done float64) int {
	if !(done > 0) {
		return 0
	}
	return int(min(done, 1) * 100)
}

// stamp prints a moment to the second; "" when it is not known.
func stamp(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format("2006-01-02 15:04:05 UTC")
}

// sentenceOf says in words what is missing of a file.
func sentenceOf(s Salvage) string {
	said := state.Salvage{
		Path: s.Path, As: s.As, SizeBytes: s.SizeBytes, MissingBytes: s.MissingBytes, MoreRanges: s.MoreRanges, MoreFiles: s.MoreFiles,
	}
	for _, r := range s.Missing {
		said.Missing = append(said.Missing, state.ByteRange{From: r[0], To: r[1]})
	}
	return said.String()
}
