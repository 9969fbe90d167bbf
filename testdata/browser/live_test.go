package browser

import (
	"fmt"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"bothy/daemon/state"
)

// later is the ordinary day some minutes on: the second card may go as well.
func later() *state.State {
	s := ordinary()
	s.Moment = at(14, 40)
	s.Cards[1].Phase, s.Cards[1].Verdict, s.Cards[1].Reason = state.CardDecided, state.Release, "2 proven copies stand on gannet and fulmar"
	o := &s.Offloads[0]
	o.Running, o.Verdict, o.Ended, o.Done = false, state.Release, at(14, 39), 1
	for i := range o.Copies {
		o.Copies[i].Phase = state.CopyProven
	}
	return s
}

const secondAnswer = `document.querySelectorAll(".hut .verdict strong")[1].textContent`

// News comes without reloading, and takes nothing from under the reader's hands. When
// the box cannot be heard the page says so, and goes on when it is back.
func TestLive(t *testing.T) {
	t.Parallel()
	c := newChromium(t)
	b := newBox(t, ordinary())
	p := c.open(t, b.url("/"), glass{Width: 360})
	p.becomes(`document.body.classList.contains("live")`)
	p.eval(`document.querySelector("details").open = true; document.querySelector(".offloads .to a").focus(); window.same = document.querySelector("main")`, nil)
	loads := len(p.told("Page.loadEventFired"))

	b.states.Publish(later())
	p.becomes(secondAnswer + ` === "RELEASE"`)
	var kept struct {
		Main, Focus, Open bool
		News              string
	}
	p.eval(`({Main: window.same === document.querySelector("main"), Focus: document.activeElement.matches(".offloads .to a"), Open: document.querySelector("details").open, News: document.getElementById("news").textContent})`, &kept)
	if !kept.Main || !kept.Focus || !kept.Open {
		t.Errorf("the reader lost something: %+v", kept)
	}
	// WCAG 4.1.3: who listens to the page is told.
	if kept.News != "card SKUA_A003: RELEASE, take it out, reuse it" {
		t.Errorf("a screen reader is told %q", kept.News)
	}
	if n := len(p.told("Page.loadEventFired")); n != loads {
		t.Errorf("the page was loaded %d times more", n-loads)
	}
	p.sound(b)

	b.end()
	p.becomes(`!document.getElementById("link").hidden`)
	var old struct {
		Text, Struck, Faded string
		Covered             bool
	}
	p.eval(`(() => {
		const word = document.querySelector(".verdict strong");
		return {Text: document.getElementById("link").innerText, Struck: getComputedStyle(word).textDecorationLine, Faded: getComputedStyle(document.querySelector("main")).filter};
	})()`, &old)
	if !strings.HasPrefix(old.Text, "The box cannot be heard since ") || old.Struck != "line-through" || old.Faded != "grayscale(1)" {
		t.Errorf("a picture that may be old looks so: %+v", old)
	}
	p.eval(`scrollTo(0, 0)`, nil) // the words stay at the top, over what is scrolled below them
	p.laysWell()

	s := ordinary()
	s.Cards = s.Cards[:1]
	b.states.Publish(s)
	b.start()
	p.becomes(`document.getElementById("link").hidden`)
	var now struct {
		Huts int
		Old  bool
	}
	p.eval(`({Huts: document.querySelectorAll(".hut").length, Old: document.body.classList.contains("old")})`, &now)
	if now.Huts != 1 || now.Old {
		t.Errorf("when the box is back: %+v", now)
	}
}

// Without script all is there, a reload brings what is new, and a picture that has stood
// for a while says so by itself. The same where the script did not come.
func TestLive_withoutScript(t *testing.T) {
	t.Parallel()
	c := newChromium(t)
	b := newBox(t, everything())
	const words = `document.querySelector("main").innerText.replace("Without script this page does not renew itself. Look again", "").replace(/\s+/g, " ")`
	var with, without string
	scripted := c.open(t, b.url("/"), glass{Width: 360})
	scripted.becomes(`document.body.classList.contains("live")`)
	scripted.eval(words, &with)
	p := c.open(t, b.url("/"), glass{Width: 360, NoScript: true})
	p.eval(words, &without)
	if with != without || len(with) < 1000 {
		t.Errorf("with script:\n%s\nwithout:\n%s", with, without)
	}

	b.states.Publish(later())
	p.reload()
	var word string
	p.eval(secondAnswer, &word)
	if word != "RELEASE" {
		t.Errorf("after a reload the second card is %q", word)
	}
	p.ages(t)
	p.laysWell()
	p.sound(b)
	var aged bool
	scripted.eval(`document.querySelector(".aged").checkVisibility({visibilityProperty: true}) || document.getAnimations().length > 0`, &aged)
	if aged {
		t.Error("with script the picture ages by itself")
	}
}

// ages sees what is shown when half a minute has passed, without waiting for it.
func (p *tab) ages(t *testing.T) {
	t.Helper()
	var young, old struct {
		Seen          bool
		Struck, Faded string
		Delays        []float64
	}
	const look = `({Seen: document.querySelector(".aged").checkVisibility({visibilityProperty: true}), Struck: getComputedStyle(document.querySelector(".verdict strong")).textDecorationLine,
		Faded: getComputedStyle(document.querySelector("main")).filter, Delays: document.getAnimations().map((a) => a.effect.getComputedTiming().delay)})`
	p.eval(look, &young)
	p.eval(`document.getAnimations().forEach((a) => a.finish())`, nil)
	p.eval(look, &old)
	if young.Seen || young.Struck != "none" || young.Faded != "none" || len(young.Delays) == 0 {
		t.Errorf("as it comes: %+v", young)
	}
	for _, ms := range young.Delays {
		if ms != 30_000 {
			t.Errorf("it ages after %g ms", ms)
		}
	}
	if !old.Seen || old.Struck != "line-through" || old.Faded != "grayscale(1)" {
		t.Errorf("half a minute later: %+v", old)
	}
}

// However the State changes, what stands on a page that has followed it is what a page
// would show that was loaded anew: a part that stayed behind could be a RELEASE.
func TestLive_followsAnyChange(t *testing.T) {
	t.Parallel()
	c := newChromium(t)
	b := newBox(t, ordinary())
	p := c.open(t, b.url("/"), glass{Width: 360})
	p.becomes(`document.body.classList.contains("live")`)
	random := rand.New(rand.NewPCG(6, 5))
	for i := range 60 {
		s := someState(random)
		s.Moment = at(15, 0).Add(time.Duration(i) * time.Second)
		b.states.Publish(s)
		p.becomes(fmt.Sprintf(`document.querySelector("header time").dateTime === %q`, s.Moment.Format(time.RFC3339)))
		var differs struct{ Now, Anew string }
		p.eval(`(async () => {
			const anew = new DOMParser().parseFromString(await (await fetch("/")).text(), "text/html").querySelector("main");
			const now = document.querySelector("main").cloneNode(true);
			for (const part of [anew, now]) {
				for (const unscripted of part.querySelectorAll("noscript")) unscripted.textContent = "";
				for (const list of part.querySelectorAll("details")) list.removeAttribute("open");
				part.normalize();
			}
			return anew.outerHTML === now.outerHTML ? {} : {Now: now.outerHTML, Anew: anew.outerHTML};
		})()`, &differs)
		if differs.Now != differs.Anew {
			t.Fatalf("after change %d stands:\n%s\nloaded anew it is:\n%s", i, differs.Now, differs.Anew)
		}
	}
}

// someState has some of everything, in another order, with other answers.
func someState(random *rand.Rand) *state.State {
	s := everything()
	s.Cards, s.Drives, s.Offloads = some(random, s.Cards), some(random, s.Drives), some(random, s.Offloads)
	s.Conditions, s.Devices = some(random, s.Conditions), some(random, s.Devices)
	for i := range s.Cards {
		if other := cards()[random.IntN(len(cards()))]; random.IntN(2) == 0 {
			s.Cards[i].Phase, s.Cards[i].Verdict, s.Cards[i].HoldKind, s.Cards[i].Reason = other.Phase, other.Verdict, other.HoldKind, other.Reason
		}
	}
	if random.IntN(2) == 0 {
		s.Errand = nil
	}
	if random.IntN(2) == 0 {
		s.Power = state.Power{}
	}
	return s
}

func some[T any](random *rand.Rand, all []T) (list []T) {
	for _, i := range random.Perm(len(all)) {
		if random.IntN(3) > 0 {
			list = append(list, all[i])
		}
	}
	return list
}

// A link that is cut without a word is no error to a browser: a network that drops what it
// is given, a box that lost its power. The page takes silence for one, and what it shows
// for old; it goes on when the box is heard again. Forty seconds are over when the test
// says so: it holds the timers of that length.
func TestLive_silence(t *testing.T) {
	t.Parallel()
	b := newBox(t, ordinary())
	forward := httputil.NewSingleHostReverseProxy(&url.URL{Scheme: "http", Host: b.address})
	forward.FlushInterval = -1
	var silent atomic.Bool
	say := make(chan string)
	middle := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if silent.Load() {
			<-r.Context().Done()
			return
		}
		if r.URL.Path != "/v1/events" {
			forward.ServeHTTP(w, r)
			return
		}
		w.Header().Set("Content-Type", "text/event-stream")
		fmt.Fprint(w, "event: state\ndata: {}\n\n")
		for {
			w.(http.Flusher).Flush()
			select {
			case word := <-say:
				fmt.Fprintf(w, "event: %s\ndata: {}\n\n", word)
			case <-r.Context().Done():
				return
			}
		}
	}))
	t.Cleanup(middle.CloseClientConnections)
	t.Cleanup(middle.Close)

	p := newChromium(t).open(t, b.url("/"), glass{Width: 360})
	p.do("Page.addScriptToEvaluateOnNewDocument", map[string]any{"source": `
		window.silences = [];
		const timer = window.setTimeout;
		window.setTimeout = (call, ms, ...rest) => {
			if (ms === 40000) document.documentElement.dataset.silences = window.silences.push(call);
			return timer(call, ms, ...rest);
		};`})
	p.visit(middle.URL + "/")
	p.becomes(`document.body.classList.contains("live") && document.documentElement.dataset.silences === "2"`) // one since it listens, one since it heard
	say <- "beat"
	p.becomes(`document.documentElement.dataset.silences === "3" && document.getElementById("link").hidden`)
	b.states.Publish(later())
	say <- "state"
	p.becomes(`document.documentElement.dataset.silences === "4" && document.getElementById("link").hidden && document.getElementById("news").textContent !== "" && ` + secondAnswer + ` === "RELEASE"`)

	silent.Store(true)
	p.eval(`window.silences.at(-1)()`, nil)
	p.becomes(`!document.getElementById("link").hidden && getComputedStyle(document.querySelector(".verdict strong")).textDecorationLine === "line-through" && document.getElementById("news").textContent === ""`)
	silent.Store(false)
	middle.CloseClientConnections() // those that wait for what never comes
	p.becomes(`document.getElementById("link").hidden`)
}
