// Package enrol gives a device at a press a key of its own by a one-time token.
//
// It promises: the key is made on the device and its seed never leaves it; a
// token is good for one key, once, until it expires; the server is the one
// whose certificate's fingerprint is in the token. What the server keeps is in
// package presskeys.
package enrol
