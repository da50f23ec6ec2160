// Package openapi holds the generated OpenAPI file of JSON over HTTP.
package openapi

import _ "embed" // the file

// JSON is the file: OpenAPI 2.0.
//
//go:embed downweb.swagger.json
var JSON string
