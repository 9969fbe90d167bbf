package policy

import (
	"fmt"
	"path"
	"strings"
)

// Outcome is what a medium is to the box.
type Outcome string

// Outcomes.
const (
	OutcomeCard      Outcome = "card"
	OutcomeDrive     Outcome = "drive"
	OutcomeLeftAlone Outcome = "left-alone"
	// OutcomeNeedsTree: a card rule asks what the medium holds. Mount it
	// read-only, set Facts.Tree, decide again. If that cannot be done, leave
	// the medium alone.
	OutcomeNeedsTree Outcome = "needs-tree"
)

// Step is what one rule said.
type Step struct {
	Kind    string // "card" or "drive"
	Rule    string
	Line    int
	Matched bool
	Answer  string // "yes", "no", "perhaps" or "not asked"
	Why     string // a clause: the first condition that failed, or all that held
}

// Decision is what Decide found, and why.
type Decision struct {
	Outcome  Outcome
	Card     *CardRule  // set for OutcomeCard only; part of the Policy, not to be changed
	Drive    *DriveRule // set for OutcomeDrive only; likewise
	Rule     string     // name of the rule that decided; empty when left alone
	Sentence string     // for operators; plain text on one line, not escaped for markup
	Trace    []Step     // every rule, card rules first, each kind in the order of the file
}

// Decide says what a medium is. The first matching rule of each kind counts;
// when both kinds have one the medium is left alone, because a card must never
// be written. A nil Policy leaves everything alone.
//
// The time is bounded: at most 20,000 directory entries are seen for each path
// that rules ask for, and 200,000 in all. A card rule that stays unclear, since
// its card could not be listed or is too large, takes nothing, but keeps drive
// rules from taking the medium too.
func (p *Policy) Decide(f Facts) Decision {
	if p == nil {
		return Decision{Outcome: OutcomeLeftAlone, Sentence: "left alone: there is no policy to go by"}
	}
	if sentence := f.exclusion(); sentence != "" {
		return Decision{Outcome: OutcomeLeftAlone, Sentence: sentence}
	}
	if f.Path != "" {
		f.Path = path.Clean(f.Path)
	}
	s := session{look: look{tree: f.Tree}}
	for i := range p.Cards {
		s.askCard(&p.Cards[i], &f)
	}
	for i := range p.Drives {
		s.askDrive(&p.Drives[i], &f)
	}
	return s.decision(&f)
}

// session is one run through all rules.
type session struct {
	look     look
	card     *CardRule // the first that takes it, or would once its tree is known
	cardSaid answer    // yes or needsTree when card is set
	cardWhy  string
	drive    *DriveRule // the first that takes it
	driveWhy string
	doubt    *Step // the first card rule that stayed unclear
	trace    []Step
}

func (s *session) askCard(r *CardRule, f *Facts) {
	step := Step{Kind: "card", Rule: r.Name, Line: r.Line}
	if s.card != nil {
		step.Answer, step.Why = notAsked, notAskedWhy(s.card.Name, s.cardSaid)
		s.trace = append(s.trace, step)
		return
	}
	var said answer
	said, step.Why = r.ask(f, &s.look)
	step.Answer = said.String()
	switch said {
	case yes, needsTree:
		s.card, s.cardSaid, s.cardWhy = r, said, step.Why
		step.Matched = said == yes
	case unclear:
		if s.doubt == nil {
			s.doubt = &step
		}
	}
	s.trace = append(s.trace, step)
}

func (s *session) askDrive(r *DriveRule, f *Facts) {
	step := Step{Kind: "drive", Rule: r.Name, Line: r.Line}
	if s.drive != nil {
		step.Answer, step.Why = notAsked, notAskedWhy(s.drive.Name, yes)
		s.trace = append(s.trace, step)
		return
	}
	var said answer
	said, step.Why = r.ask(f)
	step.Answer = said.String()
	if said == yes {
		s.drive, s.driveWhy = r, step.Why
		step.Matched = true
	}
	s.trace = append(s.trace, step)
}

const notAsked = "not asked"

func notAskedWhy(rule string, said answer) string {
	if said == needsTree {
		return fmt.Sprintf("rule %s waits for what the medium holds", quoted(rule))
	}
	return fmt.Sprintf("rule %s comes first", quoted(rule))
}

// decision weighs what the rules said.
func (s *session) decision(f *Facts) Decision {
	d := Decision{Outcome: OutcomeLeftAlone, Trace: s.trace}
	switch {
	case s.card != nil && s.cardSaid == needsTree:
		d.Outcome, d.Rule = OutcomeNeedsTree, s.card.Name
		d.Sentence = fmt.Sprintf("card rule %s may take it: %s", quoted(s.card.Name), s.cardWhy)
	case s.card != nil && s.drive != nil:
		d.Sentence = fmt.Sprintf("left alone: card rule %s and drive rule %s both take it, and a card must never be written",
			quoted(s.card.Name), quoted(s.drive.Name))
	case s.doubt != nil && s.drive != nil:
		d.Sentence = fmt.Sprintf("left alone: drive rule %s takes it, but it may be a card of rule %s: %s",
			quoted(s.drive.Name), quoted(s.doubt.Rule), s.doubt.Why)
	case s.card != nil:
		d.Outcome, d.Card, d.Rule = OutcomeCard, s.card, s.card.Name
		d.Sentence = fmt.Sprintf("taken as a card by rule %s: %s", quoted(s.card.Name), s.cardWhy)
	case s.drive != nil:
		d.Outcome, d.Drive, d.Rule = OutcomeDrive, s.drive, s.drive.Name
		d.Sentence = fmt.Sprintf("taken as a drive by rule %s: %s", quoted(s.drive.Name), s.driveWhy)
		if f.ReadOnly {
			d.Sentence += "; it can only be read at the moment"
		}
	case s.doubt != nil:
		d.Sentence = fmt.Sprintf("left alone: no rule takes %s; rule %s is unclear: %s", f.noun(), quoted(s.doubt.Rule), s.doubt.Why)
	default:
		d.Sentence = fmt.Sprintf("left alone: no rule takes %s", f.noun())
	}
	if d.Rule != "" && f.Path == "" && !f.HasFileSystem {
		d.Sentence += "; no file system is known on it"
	}
	return d
}

// Explain returns the decision for a terminal: the sentence, then one line for
// each rule. It ends in a newline.
func (d Decision) Explain() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n", d.Sentence)
	for _, step := range d.Trace {
		fmt.Fprintf(&b, "  %-5s rule %s, line %d: %s: %s\n", step.Kind, quoted(step.Rule), step.Line, step.Answer, step.Why)
	}
	return b.String()
}
