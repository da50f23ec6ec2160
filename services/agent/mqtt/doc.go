// Package mqtt reads a press's signals over MQTT 3.1.1: plain topics, or
// Sparkplug B.
//
// It promises: over plain topics it publishes nothing; over Sparkplug the only
// thing it ever publishes is a request to the edge node to tell its metrics
// again. A broker that goes away, an edge node that dies, a sequence with a
// hole: each is told as lost, so that no value from before counts, and put
// right by itself. The context of Run stops it.
package mqtt
