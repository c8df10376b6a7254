; machine: heron
; verdict: hold
; Invented: a job that went through a bad cable and a text editor.
; expect-job: no-extrusion
G21
G90
G28
G0 X100 ; expect: no-feed-rate
G1 X20 Y20 F0 ; expect: no-feed-rate
F0.5 ; near: no-feed-rate
F1200
N1 G1 X40*85 ; near: bad-checksum, line-number-skipped
N2 G1 X41*82 ; expect: bad-checksum
N3 G1 X42*85 ; near: bad-checksum, line-number-skipped
N5 G1 X43*82 ; expect: line-number-skipped
M110 N20
N21 G1 X44*99 ; near: line-number-skipped
G1 X50.1.2 ; expect: malformed-word
G1 X52 X53 ; expect: malformed-word
G1 X ; expect: malformed-word
G0 G1 X54 ; expect: commands-share-line
g1x55y+20.f1200 ; near: malformed-word
G1 X5 6 Y2 0 (a blank inside a number is allowed) ; near: malformed-word
M777 S1 S2 T5,5 [x] ; expect: unknown-command; near: malformed-word
wipe the nozzle ; expect: macro-not-described
@wait ; near: unknown-command
G94 ; near: unknown-command
M117 Half way there ; near: unknown-command
M300 S880 P50 ; near: unknown-command
M48 V4 ; near: axis-not-described
G1 A5 U1 ; expect: axis-not-described
G1 X70.00000000000000000000000000 Y20.00000000000000000000000000 ; near: line-too-long
G1 X70.00000000000000000000000000 Y20.000000000000000000000000000 ; expect: line-too-long
G1 X100 Y100 F3000 ; near: truncated-job
