package status

import (
	"bytes"
	"context"
	"errors"
	"net/http"
)

// How much of the ledger the page shows.
const (
	pageDays     = 14
	pageOffloads = 100
	nothingYet   = "Nothing was off-loaded yet."
)

// whereView is a DayList in words. Like those of a view its strings have passed
// clean.
type whereView struct {
	Days    []dayView
	More    bool
	Nothing string
}

type dayView struct {
	Title    string
	Offloads []storedView
}

// storedView is an offload or a file with its places in words. A verdict of the
// past is not told in the word that a card which is in has: nobody shall take one
// for the other.
type storedView struct {
	Word, Title, Facts string
	Places             []string
}

func viewWhere(list *DayList) *whereView {
	if list == nil {
		return nil
	}
	v := &whereView{More: list.More, Nothing: nothingYet}
	for _, d := range list.Days {
		day := dayView{Title: dayTitle(d)}
		for _, o := range d.Offloads {
			day.Offloads = append(day.Offloads, viewStored(o))
		}
		v.Days = append(v.Days, day)
	}
	return v
}

func dayTitle(d Day) string {
	name := clean(d.Day)
	switch {
	case d.Day == "":
		name = "on a day that is not known"
	case !d.ClockTrusted:
		name += " (by a clock that is not synchronised)"
	}
	return name + ": " + count(len(d.Offloads), "offload", "offloads") + ", " + count(d.Files, "file", "files") + ", " + size(d.SizeBytes)
}

func viewStored(o Stored) storedView {
	v := storedView{Word: "held:", Title: clean(labelled(o.CardLabel))}
	if o.Verdict == "release" {
		v.Word = "released:"
	}
	v.Facts = facts("offload "+o.ID, count(o.Files, "file", "files"), size(o.SizeBytes))
	for _, c := range o.Copies {
		v.Places = append(v.Places, placeWords(c, statusWords(c.Status)))
	}
	return v
}

func viewFile(f StoredFile) storedView {
	v := storedView{Title: clean(f.Path)}
	v.Facts = facts(size(f.SizeBytes), named(f.Algorithm, f.Checksum), "card "+labelled(f.CardLabel), "offload "+f.OffloadID, named("begun", stamp(f.Started)))
	for _, p := range f.Places {
		words := statusWords(p.Status)
		switch {
		case p.Proven && p.Status == "proven":
			words = join("proven", stamp(p.ProvenAt))
		case p.Proven:
			words = "this file is proven, " + words
		}
		v.Places = append(v.Places, placeWords(p.StoredCopy, words))
	}
	if len(v.Places) == 0 {
		v.Places = []string{"on no drive"}
	}
	return v
}

func placeWords(c StoredCopy, words string) string {
	drive := c.DriveName
	if drive == "" {
		drive = "drive " + c.DriveID
	}
	if c.Folder != "" {
		words += ", in " + c.Folder
	}
	return clean(drive + ": " + words)
}

func labelled(label string) string {
	if label == "" {
		return "without a label"
	}
	return label
}

// statusWords says what the status of a copy in the ledger means.
func statusWords(status string) string {
	switch status {
	case "proven":
		return "proven"
	case "open", "finishing":
		return "the copy is not finished"
	case "unproven":
		return "written, not read back"
	case "handed-over":
		return "on a shuttle, with what was chosen of it"
	case "incomplete":
		return "what could be saved of a damaged card"
	case "failed":
		return "the copy has failed"
	case "lost":
		return "the copy is lost or damaged"
	case "":
		return "there is no copy any more"
	}
	return status
}

// newestDays are those that the page shows; nil without an Archive, or when it
// cannot tell.
func (h *handler) newestDays(ctx context.Context) *DayList {
	if h.Archive == nil {
		return nil
	}
	list, err := h.Archive.Days(ctx, Question{Limit: pageOffloads})
	if err != nil {
		if ctx.Err() == nil {
			h.Log.ErrorContext(ctx, "ledger did not answer", "path", "/", "error", err)
		}
		return nil
	}
	if len(list.Days) > pageDays {
		list.Days, list.More = list.Days[:pageDays], true
	}
	return &list
}

// serveFind answers the page's form.
func (h *handler) serveFind(w http.ResponseWriter, r *http.Request) {
	page := struct {
		Name, Said string
		Files      []storedView
	}{}
	code := http.StatusOK
	q, err := readQuestion(r.URL.Query(), fileKeys...)
	if err == nil && q.Name != "" {
		ctx, cancel := context.WithTimeout(r.Context(), archiveTime)
		defer cancel()
		var list FileList
		list, err = h.Archive.Files(ctx, q)
		page.Said = foundWords(len(list.Files), list.More)
		for _, f := range list.Files {
			page.Files = append(page.Files, viewFile(f))
		}
	}
	switch {
	case errors.Is(err, ErrNoSuch):
		code, page.Said = http.StatusNotFound, clean(err.Error())
	case errors.Is(err, context.DeadlineExceeded):
		code, page.Said = http.StatusServiceUnavailable, "This takes too long; ask for less."
	case err != nil && (q.Name == "" || errors.Is(err, ErrQuestion)):
		code, page.Said = http.StatusBadRequest, clean(err.Error())
	case err != nil:
		h.archiveProblem(w, r, err)
		return
	case q.Name == "":
		page.Said = "Give a name, or a part of one with stars: *A003*, CLIP_00*.MOV, DCIM/100*/*. Drives need not be attached."
	}
	page.Name = clean(brief(q.Name))
	var body bytes.Buffer
	if err := pageTemplate.ExecuteTemplate(&body, "find.html", page); err != nil {
		h.pageFailed(w, r, err)
		return
	}
	send(w, r, code, htmlType, body.Bytes())
}

func foundWords(n int, more bool) string {
	switch {
	case n == 0:
		return "No such file is known."
	case more:
		return "The first " + count(n, "file", "files") + "; there are more."
	}
	return "Found: " + count(n, "file", "files") + "."
}
