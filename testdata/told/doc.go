// Package told holds the documents to what they say. Its tests take every command
// out of README.md, DEVELOPERS.md, the pages below deploy, the manual pages, and the comments of policies, and
// each is run as it stands, or it is named which other test runs it. They look up,
// too, every flag, condition, metric, policy key, address, file and link that a
// document speaks of.
//
// Commands of the box are run in a root of their own that is made of folders of this
// machine, with the real daemon, a past that is invented, and one drive that is an
// image on a loop device. Nothing is installed, and no network is used.
package told
