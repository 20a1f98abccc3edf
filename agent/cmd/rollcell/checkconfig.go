package main

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/spf13/cobra"

	"rollcall/agent/source/csvfolder"
	"rollcall/services/fleet"
	"rollcall/services/wire"
)

func (m Main) checkConfigCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "check-config",
		Short: "check configuration, mapping and certificate files, and print the merged configuration",
		Args:  noArguments,
	}
	load := configFlags(c)
	c.RunE = func(c *cobra.Command, _ []string) error {
		config, err := load()
		if err != nil {
			return err
		}
		text, err := yaml.Marshal(config)
		if err != nil {
			return fmt.Errorf("print configuration: %w", err)
		}
		if _, err := c.OutOrStdout().Write(text); err != nil {
			return err
		}
		var errs []error
		if _, err := csvfolder.LoadMapping(config.Mapping); err != nil {
			errs = append(errs, err)
		}
		if config.TLS != (TLSConfig{}) {
			errs = append(errs, checkTLS(config, time.Now())...)
		}
		if len(errs) > 0 {
			return usageError{errors.Join(errs...)}
		}
		return nil
	}
	return c
}

// checkTLS returns everything wrong with the files of mutual TLS.
func checkTLS(c Config, now time.Time) (errs []error) {
	for _, f := range []struct{ key, file string }{{"tls.cert", c.TLS.Cert}, {"tls.key", c.TLS.Key}, {"tls.ca", c.TLS.CA}} {
		text, err := os.ReadFile(f.file)
		if err != nil {
			errs = append(errs, fmt.Errorf("read %s: %w", f.key, err))
		} else if f.key == "tls.ca" && !x509.NewCertPool().AppendCertsFromPEM(text) {
			errs = append(errs, fmt.Errorf("tls.ca: no certificate is in %s; give the authority's, PEM", f.file))
		}
	}
	if len(errs) > 0 {
		return errs
	}
	pair, err := tls.LoadX509KeyPair(c.TLS.Cert, c.TLS.Key)
	if err != nil {
		return []error{fmt.Errorf("tls.cert %s and tls.key %s: %w", c.TLS.Cert, c.TLS.Key, err)}
	}
	var uris []string
	for _, uri := range pair.Leaf.URIs {
		uris = append(uris, uri.String())
	}
	want := wire.CellURI(fleet.CellID(c.Cell))
	switch {
	case slices.Contains(uris, want):
	case len(uris) == 0:
		errs = append(errs, fmt.Errorf("tls.cert %s names no cell; use the certificate issued for %s", c.TLS.Cert, c.Cell))
	default:
		errs = append(errs, fmt.Errorf("tls.cert %s is for %s, this agent writes for %s (%s); use the certificate issued for that cell, or mend cell", c.TLS.Cert, strings.Join(uris, ", "), c.Cell, want))
	}
	switch {
	case now.After(pair.Leaf.NotAfter):
		errs = append(errs, fmt.Errorf("tls.cert %s ran out on %s; have a new one issued", c.TLS.Cert, clock(pair.Leaf.NotAfter)))
	case now.Before(pair.Leaf.NotBefore):
		errs = append(errs, fmt.Errorf("tls.cert %s is valid from %s only; look at this computer's clock", c.TLS.Cert, clock(pair.Leaf.NotBefore)))
	}
	return errs
}
