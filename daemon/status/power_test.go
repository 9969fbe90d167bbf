package status

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"

	"bothy/daemon/state"
)

// What is known of the battery is said, what is not known is absent, and a box
// without one is spared it.
func TestPower_words(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		power      state.Power
		text, json string
	}{
		{state.Power{Note: "the kernel knows of no battery of the box"}, "",
			`"power":{"battery":false,"note":"the kernel knows of no battery of the box","level":"good"}`},
		{state.Power{HasExternal: true, External: true, Note: "none"}, "", `"power":{"battery":false,"external":true,"note":"none","level":"good"}`},
		{state.Power{HasBattery: true, Note: "read status: \x1b"}, "battery: not known how full it is, so all work goes on: read status: \\u001b", `"level":"good"`},
		{state.Power{HasBattery: true, HasCharge: true, Percent: 64, HasExternal: true, External: true}, "battery: 64 %, and the box is fed\n",
			`"power":{"battery":true,"charge_percent":64,"external":true,"note":"","level":"good"}`},
		{state.Power{HasBattery: true, HasCharge: true, Percent: 0, Level: state.Parked}, "battery: 0 %; all work is parked\n",
			`"power":{"battery":true,"charge_percent":0,"note":"","level":"parked"}`},
		{state.Power{HasBattery: true, HasCharge: true, Percent: 17, HasExternal: true, Level: state.LowPower},
			"battery: 17 %, and the box lives on it; nothing new is begun\n",
			`"power":{"battery":true,"charge_percent":17,"external":false,"note":"","level":"low"}`},
	} {
		s := sampleState()
		s.Power = tc.power
		var text strings.Builder
		if err := Text(&text, NewDocument(s)); err != nil {
			t.Fatal(err)
		}
		if tc.text == "" && strings.Contains(text.String(), "battery") || !strings.Contains(text.String(), tc.text) {
			t.Errorf("%+v:\n%s", tc.power, text.String())
		}
		page := get(Handler(Config{States: publisher(s)}), "/").Body.String()
		if words := strings.TrimSpace(tc.text); words == "" == strings.Contains(page, "<p>battery") || !strings.Contains(page, words) {
			t.Errorf("%+v is not so on the page", tc.power)
		}
		var doc bytes.Buffer
		if err := json.Compact(&doc, get(Handler(Config{States: publisher(s)}), "/v1/status").Body.Bytes()); err != nil || !strings.Contains(doc.String(), tc.json) {
			t.Errorf("%+v: %v, %s", tc.power, err, doc.String())
		}
	}
}
