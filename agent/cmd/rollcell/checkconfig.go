package main

import (
	"errors"
	"fmt"
	"os"

	"github.com/goccy/go-yaml"
	"github.com/spf13/cobra"

	"rollcall/agent/source/csvfolder"
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
		for key, file := range map[string]string{"tls.cert": config.TLS.Cert, "tls.key": config.TLS.Key, "tls.ca": config.TLS.CA} {
			if file == "" {
				continue
			}
			if _, err := os.ReadFile(file); err != nil {
				errs = append(errs, fmt.Errorf("read %s: %w", key, err))
			}
		}
		if len(errs) > 0 {
			return usageError{errors.Join(errs...)}
		}
		return nil
	}
	return c
}
