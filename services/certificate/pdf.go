package certificate

import (
	"bytes"
	"fmt"
	"strings"
	"sync"
	"time"

	"github.com/go-pdf/fpdf"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/sfnt"

	"rollcall/services/show"
)

// The sheet of paper, A4, mm and points.
const (
	pageWidth, pageHeight = 210.0, 297.0
	marginLeft            = 18.0
	marginRight           = 18.0
	marginTop             = 24.0
	marginBottom          = 22.0
	textWidth             = pageWidth - marginLeft - marginRight
	textSize, tableSize   = 9.0, 7.8
	textLine, tableLine   = 4.4, 3.7
	nameWidth             = 42.0 // of the words of facts
	cellPadding           = 1.2
	keepTogether          = 24.0 // what has to fit under a heading
)

// PDF returns the document as PDF, the same bytes for the same document: its
// date is that of issue, its fonts are its own. Every page carries the number
// and "page n of m".
func (d Document) PDF() ([]byte, error) {
	s := Lay(d)
	b, err := s.PDF(Print{
		Made: d.IssuedAt, Subject: name(d.Item.Cell, d.Item.CellID), Foot: "May be reproduced in full only. No accreditation is claimed.", Last: "End of certificate " + s.Number + ".",
	})
	if err != nil {
		return nil, fmt.Errorf("write certificate %s as PDF: %w", d.Number, err)
	}
	return b, nil
}

// Print is what a sheet on paper says beside its own text.
type Print struct {
	// Made dates the file.
	Made    time.Time
	Subject string
	// Foot stands at the foot of every page, Last at the end.
	Foot, Last string
}

// PDF returns a sheet as PDF, the same bytes for the same sheet.
func (s Sheet) PDF(o Print) ([]byte, error) {
	// Twice: how many pages there are is known after the first time.
	p, err := write(s, o, 0)
	if err != nil {
		return nil, err
	}
	if p, err = write(s, o, p.PageCount()); err != nil {
		return nil, err
	}
	var b bytes.Buffer
	if err := p.Output(&b); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

// paper is a PDF being written.
type paper struct {
	*fpdf.Fpdf
	sheet Sheet
	print Print
	total int
}

func write(s Sheet, o Print, total int) (*fpdf.Fpdf, error) {
	p := &paper{Fpdf: fpdf.New("P", "mm", "A4", ""), sheet: s, print: o, total: total}
	p.SetCatalogSort(true)
	p.SetCreationDate(o.Made)
	p.SetModificationDate(o.Made)
	p.SetProducer("Rollcall", true)
	p.SetTitle(plain(s.Title+" "+s.Number), true)
	p.SetAuthor(plain(s.Issuer), true)
	p.SetSubject(plain(o.Subject), true)
	p.AddUTF8FontFromBytes("go", "", goregular.TTF)
	p.AddUTF8FontFromBytes("go", "B", gobold.TTF)
	p.SetMargins(marginLeft, marginTop, marginRight)
	p.SetAutoPageBreak(true, marginBottom)
	p.SetHeaderFunc(p.header)
	p.SetFooterFunc(p.footer)
	p.AddPage()
	p.body()
	if err := p.Error(); err != nil {
		return nil, err
	}
	return p.Fpdf, nil
}

func (p *paper) font(style string, size float64) { p.SetFont("go", style, size) }
func (p *paper) ink()                            { p.SetTextColor(0, 0, 0) }
func (p *paper) soft()                           { p.SetTextColor(85, 85, 85) }

func (p *paper) header() {
	p.SetY(11)
	p.font("", 8)
	p.soft()
	p.SetX(marginLeft)
	p.CellFormat(textWidth/2, 4, p.fit(p.sheet.Issuer, textWidth/2), "", 0, "L", false, 0, "")
	p.CellFormat(textWidth/2, 4, plain(p.sheet.Number), "", 0, "R", false, 0, "")
	p.SetDrawColor(150, 150, 150)
	p.SetLineWidth(0.2)
	p.Line(marginLeft, 16.5, pageWidth-marginRight, 16.5)
	p.ink()
	p.SetY(marginTop)
}

func (p *paper) footer() {
	p.SetY(-15)
	p.font("", 7.5)
	p.soft()
	p.SetDrawColor(150, 150, 150)
	p.Line(marginLeft, pageHeight-16.5, pageWidth-marginRight, pageHeight-16.5)
	p.SetX(marginLeft)
	p.CellFormat(textWidth*0.75, 4, plain(p.print.Foot), "", 0, "L", false, 0, "")
	p.CellFormat(textWidth*0.25, 4, fmt.Sprintf("page %d of %d", p.PageNo(), p.total), "", 0, "R", false, 0, "")
	p.ink()
}

// fit shortens a text to a width.
func (p *paper) fit(s string, width float64) string {
	s = plain(s)
	if p.GetStringWidth(s) <= width-2 {
		return s
	}
	r := []rune(s)
	for len(r) > 0 && p.GetStringWidth(string(r)+"…") > width-2 {
		r = r[:len(r)-1]
	}
	return string(r) + "…"
}

// need breaks the page when less than h is left.
func (p *paper) need(h float64) {
	if p.GetY()+h > pageHeight-marginBottom {
		p.AddPage()
	}
}

func (p *paper) body() {
	s := p.sheet
	p.font("B", 17)
	p.MultiCell(textWidth, 8, plain(s.Title), "", "L", false)
	p.Ln(1)
	p.facts(s.Lead)
	for _, x := range s.Sections {
		p.section(x)
	}
	p.Ln(3)
	p.need(keepTogether)
	p.SetDrawColor(0, 0, 0)
	p.Line(marginLeft, p.GetY(), pageWidth-marginRight, p.GetY())
	p.Ln(1.5)
	for _, t := range s.Statements {
		p.text(t)
	}
	p.font("B", textSize)
	p.MultiCell(textWidth, textLine, plain(p.print.Last), "", "L", false)
}

func (p *paper) section(s Section) {
	p.Ln(2.5)
	p.need(keepTogether)
	p.SetDrawColor(0, 0, 0)
	p.SetLineWidth(0.3)
	p.Line(marginLeft, p.GetY(), pageWidth-marginRight, p.GetY())
	p.Ln(1)
	p.font("B", 10.5)
	p.MultiCell(textWidth, 5.2, plain(s.Heading), "", "L", false)
	p.Ln(0.6)
	for _, t := range s.Text {
		p.text(t)
	}
	p.facts(s.Rows)
	for _, t := range s.Tables {
		p.table(t)
	}
	for _, t := range s.List {
		p.text("– " + t)
	}
}

func (p *paper) text(s string) {
	p.font("", textSize)
	p.MultiCell(textWidth, textLine, plain(s), "", "L", false)
	p.Ln(0.8)
}

// facts writes words and what they stand for in two columns.
func (p *paper) facts(rows []Row) {
	for _, r := range rows {
		p.font("", textSize)
		value := p.SplitText(plain(r.Value), textWidth-nameWidth)
		words := p.SplitText(plain(r.Name), nameWidth-2)
		h := float64(max(len(value), len(words), 1)) * textLine
		// A text longer than a page breaks where it will.
		if h < pageHeight/2 {
			p.need(h)
		}
		y := p.GetY()
		p.soft()
		p.MultiCell(nameWidth-2, textLine, strings.Join(words, "\n"), "", "L", false)
		p.ink()
		p.SetXY(marginLeft+nameWidth, y)
		p.SetLeftMargin(marginLeft + nameWidth)
		p.MultiCell(textWidth-nameWidth, textLine, strings.Join(value, "\n"), "", "L", false)
		p.SetLeftMargin(marginLeft)
		if h < pageHeight/2 {
			p.SetY(y + h + 0.4)
		} else {
			p.Ln(0.4)
		}
	}
}

// table writes a table; its head is repeated on every page it goes over.
func (p *paper) table(t Table) {
	p.Ln(1.2)
	p.need(keepTogether)
	if t.Caption != "" {
		p.font("B", tableSize+0.4)
		p.MultiCell(textWidth, tableLine+0.4, plain(t.Caption), "", "L", false)
	}
	total := 0.0
	for _, c := range t.Columns {
		total += c.Share
	}
	widths := make([]float64, len(t.Columns))
	for i, c := range t.Columns {
		widths[i] = textWidth * c.Share / total
	}
	heads := make([]string, len(t.Columns))
	for i, c := range t.Columns {
		heads[i] = c.Name
	}
	head := func() {
		p.soft()
		p.row(t.Columns, widths, heads, "B", 0.25)
		p.ink()
	}
	head()
	for _, r := range t.Rows {
		if p.GetY()+p.height(widths, r, "") > pageHeight-marginBottom {
			p.AddPage()
			head()
		}
		p.row(t.Columns, widths, r, "", 0.1)
	}
	p.Ln(1)
}

func (p *paper) split(width float64, s, style string) []string {
	p.font(style, tableSize)
	lines := p.SplitText(plain(s), width-2*cellPadding)
	if len(lines) == 0 {
		return []string{""}
	}
	return lines
}

func (p *paper) height(widths []float64, cells []string, style string) float64 {
	most := 1
	for i, c := range cells {
		most = max(most, len(p.split(widths[i], c, style)))
	}
	// More lines than a page has are cut off by no page: such a cell is no
	// figure, and the JSON has it whole.
	return float64(min(most, mostLines))*tableLine + 1
}

// mostLines is the most lines of a table's cell.
const mostLines = 20

func (p *paper) row(columns []Column, widths []float64, cells []string, style string, rule float64) {
	h := p.height(widths, cells, style)
	y, x := p.GetY(), marginLeft
	for i, c := range cells {
		align := "L"
		if columns[i].Right {
			align = "R"
		}
		lines := p.split(widths[i], c, style)
		if len(lines) > mostLines {
			lines = append(lines[:mostLines-1], "…")
		}
		for k, line := range lines {
			p.SetXY(x+cellPadding, y+0.5+float64(k)*tableLine)
			p.CellFormat(widths[i]-2*cellPadding, tableLine, line, "", 0, align, false, 0, "")
		}
		x += widths[i]
	}
	p.SetDrawColor(150, 150, 150)
	p.SetLineWidth(rule)
	p.Line(marginLeft, y+h, pageWidth-marginRight, y+h)
	p.SetXY(marginLeft, y+h)
}

// glyphs is the font's table of characters.
var glyphs = sync.OnceValue(func() *sfnt.Font {
	f, err := sfnt.Parse(goregular.TTF)
	if err != nil {
		panic("certificate: the embedded font cannot be read: " + err.Error())
	}
	return f
})

// plain writes a text with the characters that the PDF's font has; another
// stands as its code, such as U+4E2D, so that nothing vanishes unseen.
func plain(s string) string {
	f, missing := glyphs(), false
	has := func(r rune) bool {
		if r < 0x80 {
			return true
		}
		var b sfnt.Buffer
		i, err := f.GlyphIndex(&b, r)
		return err == nil && i != 0 && r <= 0xFFFF
	}
	s = show.Clean(strings.ReplaceAll(s, "\n", " "))
	for _, r := range s {
		missing = missing || !has(r)
	}
	if !missing {
		return s
	}
	var b strings.Builder
	for _, r := range s {
		if has(r) {
			b.WriteRune(r)
		} else {
			fmt.Fprintf(&b, "U+%04X", r)
		}
	}
	return b.String()
}
