package main

import (
	"reflect"
	"strings"
	"testing"
)

func TestClusterKeys(t *testing.T) {
	yaml := "nats:\n  listen: 127.0.0.1:4222\n  cluster: {name: c1, node: n2, listen: 127.0.0.1:6222, advertise: 10.0.0.2:6222, routes: [10.0.0.1:6222, 10.0.0.2:6222], replicas: 3}\n"
	c, err := testApp(t, yaml).loadConfig(nil)
	if err != nil {
		t.Fatal(err)
	}
	n := c.NATS.Cluster
	if n.Name != "c1" || n.Node != "n2" || n.Listen != "127.0.0.1:6222" || n.Advertise != "10.0.0.2:6222" || len(n.Routes) != 2 || n.Replicas != 3 || c.streams().Replicas != 3 {
		t.Errorf("%+v", n)
	}
	cl, err := c.cluster()
	if err != nil || cl.Password == "" || !reflect.DeepEqual(cl.Routes, n.Routes) {
		t.Errorf("%+v %v", cl, err)
	}
	// A supervised child gets the same from its environment.
	a := testApp(t, "", append(c.Env(), supervisedVar+"=1")...)
	again, err := a.loadConfig(nil)
	if err != nil || !reflect.DeepEqual(again.NATS.Cluster, n) {
		t.Errorf("%+v %v", again, err)
	}
	// Clients need the replicas alone.
	if c, err := testApp(t, "nats: {url: \"nats://a:1,nats://b:2\", cluster: {replicas: 3}}\n").loadConfig(nil); err != nil || c.streams().Replicas != 3 {
		t.Errorf("%v", err)
	}
	for text, want := range map[string]string{
		"replicas: 2":                   "nats.cluster.replicas: 2: want 1, 3 or 5",
		"node: n1":                      "nats.cluster.listen: is empty",
		"node: n1, listen: 127.0.0.1:1": "nats.cluster.routes: is empty",
		"listen: 127.0.0.1:1, routes: [127.0.0.1:2]":              "nats.cluster.node",
		"node: n1, listen: 127.0.0.1:7712, routes: [127.0.0.1:2]": "is also nats.listen",
		"node: n1, listen: 127.0.0.1:1, routes: [nowhere]":        `nats.cluster.routes: "nowhere" is not host:port`,
		"nodes: 3": `unknown key "nats.cluster.nodes"`,
	} {
		if _, err := testApp(t, "nats: {cluster: {"+text+"}}\n").loadConfig(nil); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %s", text, err, want)
		}
	}
}
