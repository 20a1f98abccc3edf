package simulator

import (
	"fmt"
	"os"
	"strconv"
	"strings"
	"time"

	"github.com/schollz/progressbar/v3"
	"github.com/spf13/cobra"
	"golang.org/x/term"

	"rollcall/services/fleet"
)

// Command returns the subcommand "simulate", which writes the files of a
// scenario.
func Command() *cobra.Command {
	var scenario, cell, weeks, out string
	var quiet, sync bool
	c := &cobra.Command{
		Use:   "simulate --scenario FILE --out FOLDER [--cell ID] [--weeks 1-26]",
		Short: "write the CSV files of a simulated chain",
		Long: "Simulate writes the files the cells of an invented chain would write: pulls with\n" +
			"coast-downs, empty-roller coast-downs and load-cell checks, from a physical\n" +
			"model, with the faults of the scenario put in. With --cell the files go straight\n" +
			"into the folder; without it every cell gets a folder of its own in it.\n" +
			"The same scenario gives the same files, byte for byte.",
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			s, err := Load(scenario)
			if err != nil {
				return err
			}
			o := WriteOptions{Cell: fleet.CellID(cell), Sync: sync}
			if o.FromWeek, o.ToWeek, err = parseWeeks(weeks); err != nil {
				return err
			}
			var progress func(done, total int)
			if f, ok := c.ErrOrStderr().(*os.File); ok && !quiet && term.IsTerminal(int(f.Fd())) {
				var bar *progressbar.ProgressBar
				progress = func(done, total int) {
					if bar == nil {
						bar = progressbar.NewOptions(total, progressbar.OptionSetWriter(f), progressbar.OptionShowCount(),
							progressbar.OptionSetDescription("files"), progressbar.OptionThrottle(100*time.Millisecond), progressbar.OptionClearOnFinish())
					}
					_ = bar.Set(done)
				}
			}
			sum, err := s.Write(out, o, progress)
			if err != nil {
				return err
			}
			_, err = fmt.Fprintf(c.OutOrStdout(), "%d files, %d values, %.1f MB in %s\n", sum.Files, sum.Values, float64(sum.Bytes)/1e6, out)
			return err
		},
	}
	f := c.Flags()
	f.StringVar(&scenario, "scenario", "", "scenario file (YAML)")
	f.StringVar(&cell, "cell", "", "write this cell only, straight into the folder")
	f.StringVar(&weeks, "weeks", "", "weeks to write, as 5 or 1-26 (default all)")
	f.StringVar(&out, "out", "", "folder to write into")
	f.BoolVar(&quiet, "quiet", false, "no progress bar")
	f.BoolVar(&sync, "sync", false, "make every file durable before it gets its name")
	for _, name := range []string{"scenario", "out"} {
		if err := c.MarkFlagRequired(name); err != nil {
			panic(err)
		}
	}
	return c
}

// parseWeeks reads "5", "1-26" or nothing.
func parseWeeks(text string) (from, to int, err error) {
	if text == "" {
		return 0, 0, nil
	}
	first, last, ok := strings.Cut(text, "-")
	if !ok {
		last = first
	}
	from, err = strconv.Atoi(first)
	if err == nil {
		to, err = strconv.Atoi(last)
	}
	if err != nil || from < 1 || to < from {
		return 0, 0, fmt.Errorf("--weeks %q: give a week or a range of weeks, as 5 or 1-26", text)
	}
	return from, to, nil
}
