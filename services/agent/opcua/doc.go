// Package opcua reads a press's nodes over OPC UA, by subscription.
//
// It promises: it only reads; under a security policy it talks to the one
// server whose certificate (or whose issuer's) the settings name, and to no
// other; a server that dies, hangs or forgets the subscription is noticed
// within some seconds, told as lost, and tried again for ever with growing
// pauses. The context of Run stops it.
package opcua
