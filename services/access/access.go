// Package access tells who is at the other end of a connection and what they
// may do. With TLS the answer comes from the client's certificate; without TLS
// the service listens on loopback only and whoever reaches it is trusted as
// somebody who sits at the machine.
//
// A certificate carries its meaning in URI subject alternative names:
//
//	rollcall:cell:<cell id>     an agent that writes for this cell; may repeat
//	rollcall:person:<name>      a person, name percent-encoded
//	rollcall:role:<role>        the person's role
//
// In: the TLS state of a connection. Out: Identity. certs.go makes the
// certificates for a chain without an authority of its own.
package access

import (
	"context"
	"crypto/x509"
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strings"

	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/peer"

	"rollcall/services/fleet"
	"rollcall/services/wire"
)

// Role is what a person is to the chain.
type Role string

// The roles. Each may do what those before it may.
const (
	RoleViewer         Role = "viewer"
	RoleTechnician     Role = "technician"
	RoleQualityManager Role = "quality-manager"
)

// Roles lists every role, least first.
var Roles = []Role{RoleViewer, RoleTechnician, RoleQualityManager}

// Errors of who somebody is and what they may do. errors.Is finds them.
var (
	// ErrUnauthenticated: no certificate, or none that says who it is.
	ErrUnauthenticated = errors.New("not authenticated")
	// ErrDenied: known, but not allowed.
	ErrDenied = errors.New("not allowed")
)

// Error is an ErrUnauthenticated or ErrDenied with a sentence fit for people.
type Error struct {
	Kind   error // ErrUnauthenticated or ErrDenied
	Reason string
}

// Error returns the sentence.
func (e *Error) Error() string { return e.Reason }

// Unwrap returns the kind.
func (e *Error) Unwrap() error { return e.Kind }

// Identity is who is at the other end.
type Identity struct {
	Cells  []fleet.CellID
	Person string
	Role   Role
	// Loopback: the connection is from this machine and has no certificate.
	Loopback bool
}

// String names the identity for logs.
func (id Identity) String() string {
	switch {
	case id.Loopback:
		return "loopback"
	case id.Person != "":
		return fmt.Sprintf("person %s (%s)", id.Person, id.Role)
	case len(id.Cells) > 0:
		names := make([]string, len(id.Cells))
		for i, c := range id.Cells {
			names[i] = string(c)
		}
		return "cell " + strings.Join(names, ", ")
	}
	return "nobody"
}

// MayWrite says whether the identity may send what cell measured.
func (id Identity) MayWrite(cell fleet.CellID) bool {
	return id.Loopback || slices.Contains(id.Cells, cell)
}

// MayRead says whether the identity may read what the fleet knows: any person
// with a role. A cell's certificate may not.
func (id Identity) MayRead() bool { return id.Loopback || slices.Contains(Roles, id.Role) }

// MayAdminister says whether the identity may change the registry, close flags
// and recompute.
func (id Identity) MayAdminister() bool { return id.Loopback || id.Role == RoleQualityManager }

// The scheme and parts of the URI names.
const (
	scheme       = "rollcall"
	cellPrefix   = "cell:"
	personPrefix = "person:"
	rolePrefix   = "role:"
)

// FromCertificate reads the identity out of a certificate that was already
// verified against the client authority. It returns an *Error of kind
// ErrUnauthenticated when the certificate names nobody, or names somebody in a
// way that is not understood.
func FromCertificate(cert *x509.Certificate) (Identity, error) {
	var id Identity
	for _, uri := range cert.URIs {
		if uri.Scheme != scheme {
			continue
		}
		if err := id.addName(uri.Opaque); err != nil {
			return Identity{}, err
		}
	}
	switch {
	case len(id.Cells) == 0 && id.Person == "":
		return Identity{}, unauthenticated("the certificate %q names neither a cell nor a person; issue one with a URI name rollcall:cell:<id> or rollcall:person:<name>", cert.Subject.CommonName)
	case id.Person != "" && id.Role == "":
		return Identity{}, unauthenticated("the certificate of %q names no role; issue one with a URI name rollcall:role:<role>, role one of %v", id.Person, Roles)
	case id.Person == "" && id.Role != "":
		return Identity{}, unauthenticated("the certificate %q has a role but names no person", cert.Subject.CommonName)
	}
	return id, nil
}

func (id *Identity) addName(name string) error {
	switch {
	case strings.HasPrefix(name, cellPrefix):
		cell := strings.TrimPrefix(name, cellPrefix)
		if !wire.ValidID(cell) {
			return unauthenticated("the certificate names the cell %q, which is no id", cell)
		}
		id.Cells = append(id.Cells, fleet.CellID(cell))
	case strings.HasPrefix(name, personPrefix):
		person, err := url.PathUnescape(strings.TrimPrefix(name, personPrefix))
		if err != nil || person == "" || id.Person != "" {
			return unauthenticated("the certificate's name %q has to be one person, percent-encoded", name)
		}
		id.Person = person
	case strings.HasPrefix(name, rolePrefix):
		role := Role(strings.TrimPrefix(name, rolePrefix))
		if !slices.Contains(Roles, role) || id.Role != "" {
			return unauthenticated("the certificate's role %q has to be one of %v, once", role, Roles)
		}
		id.Role = role
	default:
		return unauthenticated("the certificate's name rollcall:%s is not understood", name)
	}
	return nil
}

func unauthenticated(format string, args ...any) error {
	return &Error{Kind: ErrUnauthenticated, Reason: fmt.Sprintf(format, args...)}
}

// Denied returns an *Error of kind ErrDenied.
func Denied(format string, args ...any) error {
	return &Error{Kind: ErrDenied, Reason: fmt.Sprintf(format, args...)}
}

// FromPeer returns the identity of the gRPC peer of ctx: that of its
// certificate, or Loopback when the connection has no TLS and comes from this
// machine. Anything else is an *Error of kind ErrUnauthenticated.
func FromPeer(ctx context.Context) (Identity, error) {
	p, ok := peer.FromContext(ctx)
	if !ok {
		return Identity{}, unauthenticated("the connection has no peer")
	}
	if info, ok := p.AuthInfo.(credentials.TLSInfo); ok {
		if len(info.State.VerifiedChains) == 0 || len(info.State.VerifiedChains[0]) == 0 {
			return Identity{}, unauthenticated("no client certificate was given")
		}
		return FromCertificate(info.State.VerifiedChains[0][0])
	}
	if IsLoopback(p.Addr.String()) {
		return Identity{Loopback: true}, nil
	}
	return Identity{}, unauthenticated("a connection from %s without TLS is not accepted", p.Addr)
}

type contextKey struct{}

// NewContext returns ctx with the identity.
func NewContext(ctx context.Context, id Identity) context.Context {
	return context.WithValue(ctx, contextKey{}, id)
}

// FromContext returns the identity put in by NewContext; nobody, who may do
// nothing, when there is none.
func FromContext(ctx context.Context) Identity {
	id, _ := ctx.Value(contextKey{}).(Identity)
	return id
}
