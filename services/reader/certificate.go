package reader

import (
	"context"
	"fmt"
	"os"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/certificate"
	"rollcall/services/checklist"
	"rollcall/services/show"
)

func (a *app) certificate() *cobra.Command {
	c := &cobra.Command{Use: "certificate", Short: "Certificates of calibration checks: list, show, sign, correct", Args: cobra.NoArgs,
		Long: "Certificates of calibration checks. A check gets one when a quality manager signs it; a\ncheck as found and the check as left that followed it on the same day share one. What was\nsigned never changes: a correction is a new version, which says what it replaces and why.",
		RunE: func(c *cobra.Command, _ []string) error {
			return &UsageError{fmt.Errorf("say what to do: `%s list`, `show NUMBER`, `sign CHECK`, `correct NUMBER`, `pdf NUMBER` or `json NUMBER`", c.CommandPath())}
		}}
	c.AddCommand(a.listCertificates(), a.showCertificate(), a.signCertificate(), a.correctCertificate(),
		a.saveCertificate("pdf", "Write a certificate's PDF, the bytes that were signed", (*rollcallv1.GetCertificateResponse).GetPdf),
		a.saveCertificate("json", "Write a certificate's JSON, the bytes that were signed", (*rollcallv1.GetCertificateResponse).GetJson))
	return c
}

func (a *app) listCertificates() *cobra.Command {
	var check string
	c := listCommand(a, "list", "List certificates, every version", "List certificates, every version, by when the check was made. --from and --until bound that time.", "certificate",
		func(ctx context.Context, fleet rollcallv1.FleetServiceClient, f *rollcallv1.Filter) (*rollcallv1.ListCertificatesResponse, error) {
			return fleet.ListCertificates(ctx, &rollcallv1.ListCertificatesRequest{Filter: f, CheckId: check})
		},
		(*rollcallv1.ListCertificatesResponse).GetCertificates,
		func(c *cobra.Command, all []*rollcallv1.Certificate) error {
			t := table{heads: []string{"NUMBER", ">VERSION", "CELL", "KIND", "PERFORMED (UTC)", "VERDICT", "SIGNED (UTC)", "BY", "STATE"}}
			for _, x := range all {
				t.add(x.GetNumber(), strconv.Itoa(int(x.GetVersion())), x.GetCellId(), x.GetKind(), show.At(x.GetPerformedAt()), show.Or(x.GetVerdict()), show.At(x.GetSignedAt()), x.GetSignedBy(), standing(x))
			}
			return t.print(c.OutOrStdout())
		})
	c.Flags().StringVar(&check, "check", "", "only those of this check")
	return c
}

// standing says whether a version is in force.
func standing(c *rollcallv1.Certificate) string {
	if v := c.GetReplacedByVersion(); v != 0 {
		return fmt.Sprintf("replaced by version %d: %s", v, c.GetReplacedReason())
	}
	return "in force"
}

func versionFlag(c *cobra.Command) *uint32 {
	return c.Flags().Uint32("version", 0, "this version (default the newest)")
}

// getCertificate reads a certificate.
func (a *app) getCertificate(c *cobra.Command, number string, version uint32, do func(*rollcallv1.GetCertificateResponse) error) error {
	return a.read(c, func(ctx context.Context, fleet rollcallv1.FleetServiceClient) error {
		r, err := fleet.GetCertificate(ctx, &rollcallv1.GetCertificateRequest{Number: number, Version: version})
		if err != nil {
			return err
		}
		return do(r)
	})
}

func (a *app) showCertificate() *cobra.Command {
	c := &cobra.Command{Use: "show NUMBER", Short: "Print a certificate", Args: cobra.ExactArgs(1)}
	version := versionFlag(c)
	timeoutFlag(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		return a.getCertificate(c, args[0], *version, func(r *rollcallv1.GetCertificateResponse) error {
			d, err := certificate.Parse(r.GetJson())
			if err != nil {
				return err
			}
			if r.GetCertificate().GetReplacedByVersion() != 0 {
				if _, err := fmt.Fprintf(c.OutOrStdout(), "NOT IN FORCE, %s\n\n", show.Clean(standing(r.GetCertificate()))); err != nil {
					return err
				}
			}
			_, err = fmt.Fprint(c.OutOrStdout(), d.Text())
			return err
		})
	}
	return c
}

func (a *app) saveCertificate(use, short string, bytes func(*rollcallv1.GetCertificateResponse) []byte) *cobra.Command {
	var out string
	c := &cobra.Command{Use: use + " NUMBER", Short: short, Args: cobra.ExactArgs(1),
		Long: short + ". Without --out they go\nto standard output. A version that was replaced is written too, and it is said."}
	version := versionFlag(c)
	c.Flags().StringVarP(&out, "out", "o", "", "write to this file, which must not be there yet")
	timeoutFlag(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		return a.getCertificate(c, args[0], *version, func(r *rollcallv1.GetCertificateResponse) error {
			if r.GetCertificate().GetReplacedByVersion() != 0 {
				fmt.Fprintf(c.ErrOrStderr(), "version %d is not in force: %s\n", r.GetCertificate().GetVersion(), show.Clean(standing(r.GetCertificate())))
			}
			if out == "" {
				_, err := c.OutOrStdout().Write(bytes(r))
				return err
			}
			f, err := os.OpenFile(out, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
			if err != nil {
				return fmt.Errorf("write the certificate: %w", err)
			}
			if _, err := f.Write(bytes(r)); err != nil {
				_ = f.Close()
				return fmt.Errorf("write the certificate: %w", err)
			}
			return f.Close()
		})
	}
	return c
}

const byHelp = "who signs (needed without a certificate of your own, whose name signs otherwise)"

func (a *app) signCertificate() *cobra.Command {
	var by, customer, remark string
	c := &cobra.Command{Use: "sign CHECK", Short: "Sign the certificate of a check", Args: cobra.ExactArgs(1),
		Long:    "Sign the certificate of a check, by the check's id. The quality manager's role is needed.\nA check that cannot be judged gets none, and a check is signed once.",
		Example: `  rollcall certificate sign 41c2… --by "M. Krause" --customer "Harrow Tuning, 3 Mill Lane, Fenwater"`}
	c.Flags().StringVar(&by, "by", "", byHelp)
	c.Flags().StringVar(&customer, "customer", "", "for whom it is: name and address (default the operator of the site)")
	c.Flags().StringVar(&remark, "remark", "", "what else is to stand on it")
	timeoutFlag(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		return a.call(c, func(ctx context.Context, conn grpc.ClientConnInterface) error {
			r, err := rollcallv1.NewAdminServiceClient(conn).SignCertificate(ctx, &rollcallv1.SignCertificateRequest{CheckId: args[0], SignedBy: by, Customer: customer, Remark: remark})
			if err != nil {
				return err
			}
			return signed(c, r.GetCertificate())
		})
	}
	return c
}

func signed(c *cobra.Command, x *rollcallv1.Certificate) error {
	_, err := fmt.Fprintf(c.OutOrStdout(), "certificate %s version %d is signed by %s\nSHA-256 of the JSON %s\nSHA-256 of the PDF  %s\n",
		show.Clean(x.GetNumber()), x.GetVersion(), show.Clean(x.GetSignedBy()), x.GetJsonSha256(), x.GetPdfSha256())
	return err
}

func (a *app) correctCertificate() *cobra.Command {
	var by, reason, customer, remark string
	c := &cobra.Command{Use: "correct NUMBER", Short: "Sign a corrected version of a certificate", Args: cobra.ExactArgs(1),
		Long:    "Sign a corrected version of a certificate. It is made anew from the check and the registry\nas they are now, stands in place of the newest version, and says why. The versions before\nstay readable.",
		Example: `  rollcall certificate correct fen-2-2026-0003 --reason "the customer's name was misspelt" --customer "Harrow Tuning"`}
	c.Flags().StringVar(&reason, "reason", "", "what was wrong with the version before (needed)")
	c.Flags().StringVar(&by, "by", "", byHelp)
	c.Flags().StringVar(&customer, "customer", "", "for whom it is (default as before)")
	c.Flags().StringVar(&remark, "remark", "", "what else is to stand on it (default as before)")
	timeoutFlag(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		if strings.TrimSpace(reason) == "" {
			return &UsageError{fmt.Errorf("a correction says what was wrong: give --reason")}
		}
		request := &rollcallv1.CorrectCertificateRequest{Number: args[0], Reason: reason, SignedBy: by}
		if c.Flags().Changed("customer") {
			request.Customer = &customer
		}
		if c.Flags().Changed("remark") {
			request.Remark = &remark
		}
		return a.call(c, func(ctx context.Context, conn grpc.ClientConnInterface) error {
			r, err := rollcallv1.NewAdminServiceClient(conn).CorrectCertificate(ctx, request)
			if err != nil {
				return err
			}
			return signed(c, r.GetCertificate())
		})
	}
	return c
}

func (a *app) checkList() *cobra.Command {
	var asCSV, asJSON, mapping bool
	c := &cobra.Command{Use: "checklist CELL", Short: "What to do to check a cell's load cell, to be printed",
		Long: "What to do to check a cell's load cell with dead weights: cautions, the masses to hang, the\nsteps with room for the readings. --csv prints a file to fill in instead; an agent reads it\nwith the mapping that --mapping prints.",
		Args: func(c *cobra.Command, args []string) error {
			if mapping {
				return cobra.NoArgs(c, args)
			}
			return cobra.ExactArgs(1)(c, args)
		}}
	c.Flags().BoolVar(&asCSV, "csv", false, "print the file to fill in")
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON document, SI, names of the wire")
	c.Flags().BoolVar(&mapping, "mapping", false, "print the mapping with which an agent reads that file")
	timeoutFlag(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		if asCSV && asJSON {
			return &UsageError{fmt.Errorf("--json and --csv exclude each other")}
		}
		if mapping {
			_, err := fmt.Fprint(c.OutOrStdout(), checklist.Mapping)
			return err
		}
		return a.read(c, func(ctx context.Context, fleet rollcallv1.FleetServiceClient) error {
			l, err := fleet.GetCheckList(ctx, &rollcallv1.GetCheckListRequest{CellId: args[0]})
			if err != nil {
				return err
			}
			switch {
			case asJSON:
				return show.JSON(c.OutOrStdout(), l)
			case asCSV && l.GetCsv() == "":
				return fmt.Errorf("there is no list for cell %s: %s: %w", args[0], strings.Join(l.GetRemarks(), " "), ErrNothing)
			case asCSV:
				_, err = fmt.Fprint(c.OutOrStdout(), l.GetCsv())
				return err
			}
			_, err = fmt.Fprint(c.OutOrStdout(), checkListText(l))
			return err
		})
	}
	return c
}

// checkListText lays the list out for paper, sheetWidth characters wide.
func checkListText(l *rollcallv1.GetCheckListResponse) string {
	var b strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	line("CHECK LIST, load cell of %s (%s), %s", show.Clean(l.GetCellName()), show.Clean(l.GetCellId()), show.Clean(l.GetSiteName()))
	line("made %s UTC", show.At(l.GetMadeAt()))
	line("")
	line("SAFETY")
	for _, x := range l.GetCautions() {
		b.WriteString(fold(x, "  "))
	}
	line("")
	for _, x := range l.GetRemarks() {
		b.WriteString(fold(x, "  "))
	}
	if len(l.GetSteps()) == 0 {
		return b.String()
	}
	line("")
	for _, x := range l.GetParticulars() {
		line("  %-34s %s", show.Clean(x), strings.Repeat("_", 40))
	}
	line("")
	t := table{heads: []string{"  MASS", ">KG", ">± U KG", "CERTIFICATE", "ENDS", "USE"}}
	for _, m := range l.GetMasses() {
		use := "yes"
		if !m.GetUsed() {
			use = "no"
		}
		if m.GetOverdue() {
			use += ", certificate has ended"
		}
		ends := show.Absent
		if m.GetDueAt() != nil {
			ends = m.GetDueAt().AsTime().Format("2006-01-02")
		}
		t.add("  "+m.GetMassId(), strconv.FormatFloat(m.GetMassKg(), 'f', -1, 64), strconv.FormatFloat(m.GetExpandedUncertaintyKg(), 'g', 3, 64), show.Or(m.GetCertificate()), ends, use)
	}
	_ = t.print(&b) // a Builder takes everything
	part := ""
	for _, s := range l.GetSteps() {
		if s.GetPart() != part {
			part = s.GetPart()
			line("")
			line("%s", strings.ToUpper(show.Clean(part)))
		}
		text := show.Clean(s.GetText())
		reads := fmt.Sprintf("about %5.0f N  read ____________ N", s.GetLoadN())
		room := sheetWidth - utf8.RuneCountInString(reads) - 7
		switch number := fmt.Sprintf("%3d  ", s.GetStep()); {
		case !s.GetReads():
			b.WriteString(fold(text, number))
		case utf8.RuneCountInString(text) > room:
			b.WriteString(fold(text, number))
			line("%*s", sheetWidth, reads)
		default:
			line("%s%-*s  %s", number, room, text, reads)
		}
	}
	line("")
	line("Signature %s", strings.Repeat("_", 40))
	return b.String()
}

// sheetWidth is that of a check list, in characters.
const sheetWidth = 96

// fold breaks a text into lines; the first begins as said, the others under it.
func fold(s, first string) string {
	var b strings.Builder
	line, empty := first, true
	for _, w := range strings.Fields(show.Clean(s)) {
		if !empty && utf8.RuneCountInString(line)+1+utf8.RuneCountInString(w) > sheetWidth {
			b.WriteString(line + "\n")
			line, empty = strings.Repeat(" ", utf8.RuneCountInString(first)), true
		}
		if !empty {
			line += " "
		}
		line, empty = line+w, false
	}
	return b.String() + line + "\n"
}
