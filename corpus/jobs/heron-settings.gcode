; machine: heron
; verdict: hold
; Invented: a start block that grew over the years.
G21
G90
M83
M500 ; expect: settings-stored
M502 ; expect: settings-stored
M504 ; expect: settings-stored
M505 ; expect: unknown-command; near: settings-stored
M211 S1 ; near: guard-disabled
M211 S0 ; expect: guard-disabled
M211 S1
M302 S170 ; near: guard-disabled
M302 S0 ; expect: guard-disabled
M302 P0 ; near: guard-disabled
M302 P1 ; expect: guard-disabled
M900 K2 ; near: implausible-lead
M900 K30 ; expect: implausible-lead
M204 ; near: limits-changed-in-job
M201 X900 Y900 ; expect: limits-changed-in-job
M203 X150 Y150
M204 P700 T900
M205 X7 Y7
M92 E97 ; expect: machine-changed-in-job
M109 S205
G28
G1 Z10 F480
G10 ; expect: retraction-length-unknown
G11
M207 S1.5 F2400
G10 ; near: retraction-length-unknown
G11
M104 S0
G0 X20 Y200 F6000 ; near: truncated-job
