package certificate

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"
)

//go:embed certificate.html
var page string

var pageTemplate = template.Must(template.New("certificate").Parse(page))

// HTML returns the document as part of a page, an article. Whatever came from
// people is escaped.
func (d Document) HTML() ([]byte, error) {
	var b bytes.Buffer
	if err := pageTemplate.Execute(&b, Lay(d)); err != nil {
		return nil, fmt.Errorf("write certificate %s as HTML: %w", d.Number, err)
	}
	return b.Bytes(), nil
}
