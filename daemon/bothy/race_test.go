//go:build race

package main

// raceDetector: its own memory is a multiple of the program's, so that nothing
// can be said of that.
const raceDetector = true
