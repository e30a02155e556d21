package bag

import (
	"bytes"
	"encoding/json"
	"fmt"
)

// Event is what happened to an object, in the units of PREMIS 3.0 (names from memory, fact sheet E7). Types are the
// labels of the Library of Congress' event type vocabulary as of 2018-09-24: capture, imaging, recovery, message
// digest calculation, validation, ...
type Event struct {
	Type    string   // label
	Detail  string   // what was done, with what settings
	Outcome string   // success, or what is left: "warning: 3 sectors damaged"
	Note    string   // outcome detail
	Objects []string // paths in the bag, from its root
}

// Events is the JSON of an event file. All events have the same agent and date; where the date comes from is said
// with it.
func Events(agent, date, dateFrom string, events []Event) ([]byte, error) {
	type id struct {
		Type  string `json:"eventIdentifierType"`
		Value string `json:"eventIdentifierValue"`
	}
	type linkedAgent struct {
		Type  string `json:"linkingAgentIdentifierType"`
		Value string `json:"linkingAgentIdentifierValue"`
	}
	type linkedObject struct {
		Type  string `json:"linkingObjectIdentifierType"`
		Value string `json:"linkingObjectIdentifierValue"`
	}
	type detail struct {
		Detail string `json:"eventDetail"`
	}
	type outcome struct {
		Outcome string `json:"eventOutcome"`
		Note    string `json:"eventOutcomeDetailNote,omitempty"`
	}
	type event struct {
		ID       id             `json:"eventIdentifier"`
		Type     string         `json:"eventType"`
		Date     string         `json:"eventDateTime"`
		DateFrom string         `json:"eventDateTimeSource"`
		Detail   detail         `json:"eventDetailInformation"`
		Outcome  outcome        `json:"eventOutcomeInformation"`
		Agent    linkedAgent    `json:"linkingAgentIdentifier"`
		Objects  []linkedObject `json:"linkingObjectIdentifier"`
	}
	out := struct {
		Terms  string  `json:"terms"`
		Events []event `json:"events"`
	}{Terms: "PREMIS 3.0 semantic units; event types by label", Events: []event{}}
	for i, e := range events {
		v := event{
			ID: id{"local", fmt.Sprintf("event-%d", i+1)}, Type: e.Type, Date: date, DateFrom: dateFrom,
			Detail: detail{e.Detail}, Outcome: outcome{e.Outcome, e.Note}, Agent: linkedAgent{"software", agent},
			Objects: []linkedObject{},
		}
		for _, o := range e.Objects {
			v.Objects = append(v.Objects, linkedObject{"path in this bag", o})
		}
		out.Events = append(out.Events, v)
	}
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	err := enc.Encode(out)
	return b.Bytes(), err
}
