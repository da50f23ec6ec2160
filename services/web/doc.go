// Package web is the pages of downweb in a browser: Losses, Stations, Duties, Studies and Fleet, written on the server
// over the api's own calls.
//
// It promises: every page is read without JavaScript and asks nobody but this server; every view is an address that can
// be passed on; what a page says is what the api answered, in printed figures whose columns add up; a refusal, an empty
// answer and an error are words. Script only keeps the parts alive that change while one looks (server-sent events).
//
// There is no sign-in. The server is for its own machine: it answers only under names of that machine, so that a page
// from elsewhere cannot reach it by a name that points here, and it refuses forms that come from other pages. Who may
// see it from other machines is for a proxy in front of it to decide.
package web
