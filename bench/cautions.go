package bench

// Cautions stand where the hazard is.
const (
	CautionErase   = "a bulk eraser draws much current and its field reaches through walls of a case: keep it away from other media, watches, cards and heart devices (people who carry one keep well away), do not leave it on, and follow your local rules."
	CautionMains   = "an open chassis or power supply has mains voltage in it: leave mains work to qualified people, and unplug before opening."
	CautionSolvent = "cleaning spirit burns: use little, away from flames, with the power off and the room aired, let it dry before a disk goes in, and follow the bottle's label and your local rules."
)
