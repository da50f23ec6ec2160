//go:build !linux && !darwin

package install

import (
	"context"
	"errors"
)

// Lock is not needed where there is no engine.
func Lock(context.Context, string, bool) (func(), error) { return nil, errors.ErrUnsupported }
