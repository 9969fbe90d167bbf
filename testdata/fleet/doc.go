// Package fleet tries what is for watching several boxes from afar, as it ships in
// deploy/fleet, with the real programs: daemons that run in processes of their own
// with invented disks, Debian's Prometheus as server and as agent, and a link
// between them that can be cut.
//
// It guarantees what the guide in deploy/fleet promises: each alert that is tried
// comes for the right box and for no other, every query of the dashboards is
// answered with data, and what was measured while the link was down is at the shore
// when it is back. The expressions and the settings are those that ship; only what
// they wait for, and where things listen, is otherwise here.
//
// It needs no root and no network but the loopback, and it does not try what the
// alerts' own unit tests (promtool) do.
package fleet
