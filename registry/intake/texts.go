package intake

import "encoding/json"

func jsonText(s string) string {
	b, err := json.Marshal(s)
	if err != nil { // a text always has a JSON form
		return `""`
	}
	return string(b)
}

// changeEntered returns the JSON object of texts as entered with that of one
// field replaced; an empty text takes it out.
func changeEntered(object, key, text string) string {
	entered := map[string]string{}
	if object != "" && json.Unmarshal([]byte(object), &entered) != nil {
		return object // not ours to change
	}
	if text == "" {
		delete(entered, key)
	} else {
		entered[key] = text
	}
	if len(entered) == 0 {
		return ""
	}
	b, err := json.Marshal(entered)
	if err != nil { // a map of texts always has a JSON form
		return object
	}
	return string(b)
}
