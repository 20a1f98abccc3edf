package grafana

import (
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"
)

// newOf returns a pointer to a new value of a column's type.
func newOf(t reflect.Type) any { return reflect.New(t).Interface() }

// textOf is what a scanned value looks like.
func textOf(v any) string {
	x := reflect.ValueOf(v).Elem()
	for x.Kind() == reflect.Pointer {
		if x.IsNil() {
			return "–"
		}
		x = x.Elem()
	}
	switch y := x.Interface().(type) {
	case time.Time:
		return y.UTC().Format(time.DateTime)
	case float64:
		return strconv.FormatFloat(y, 'g', 10, 64)
	}
	return fmt.Sprint(x.Interface())
}

// sortRows orders rows that the query orders by time only.
func sortRows(all [][]string) {
	slices.SortFunc(all, func(a, b []string) int { return strings.Compare(strings.Join(a, " "), strings.Join(b, " ")) })
}
