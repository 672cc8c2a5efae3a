package config_test

import "reflect"

// unset names the settings that v leaves zero in each place where they could be.
func unset(v any) []string {
	state := map[string]bool{} // path -> somewhere set
	var order []string
	var walk func(path string, v reflect.Value)
	walk = func(path string, v reflect.Value) {
		switch {
		case v.Kind() == reflect.Pointer && !v.IsNil():
			walk(path, v.Elem())
			return
		case v.Kind() == reflect.Slice && v.Type().Elem().Kind() == reflect.Struct:
			for i := range v.Len() {
				walk(path, v.Index(i))
			}
			return
		case v.Kind() == reflect.Struct && v.NumField() > 0:
			for i := range v.NumField() {
				name := v.Type().Field(i).Name
				if path != "" {
					name = path + "." + name
				}
				walk(name, v.Field(i))
			}
			return
		}
		if _, known := state[path]; !known {
			order = append(order, path)
		}
		state[path] = state[path] || !v.IsZero()
	}
	walk("", reflect.ValueOf(v))
	var out []string
	for _, path := range order {
		if !state[path] {
			out = append(out, path)
		}
	}
	return out
}
