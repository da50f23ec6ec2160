// Package page is the sign-off sheet that a crew has beside its press: a small
// web server on the press's own network, made like a printed day sheet.
//
// It promises: a sign-off that the page shows as kept is on the agent's disk;
// touching twice, on one tablet or on two, signs once; what was kept here is
// shown after a restart and without any server, beside the last due list that
// came and its age. A badge is made a pseudonym as soon as it is given; neither
// page, file, cookie nor log holds it. Nothing is changed by a GET, nor by
// another site's page; nothing is loaded from elsewhere. It works without
// script; script only spares the reload, counts time and tells of the other
// tablet.
//
// It records work. It never commands a press, says nothing about how a task is
// done beyond the plan's own words, and shows on every page that the maker's
// manual, the site's lock-out procedure and trained people come first.
//
// Two things are kept for each press in Config.Dir: the last sheet (sheet.go)
// and the book of what was signed here (book.go). Both may be deleted: then the
// sheet is asked for again, and what was signed is in the spool or the log.
//
// HTML is written by gomponents, not by html/template: that one calls methods
// by name, so the linker would keep every method of every type, which takes the
// agent over its 20 MB.
//
// New does nothing; Run serves until its context ends.
package page
