; machine: wren
; verdict: no-go
; Invented: arcs with sloppy centres.
; expect-job: no-extrusion
G21
G90
M83
G28
G0 Z5 F900
G0 X100 Y100 F12000
G2 X120 Y100 I10 J0 F3000 ; near: arc-radius-mismatch, not-supported-here
G3 X100.0019 Y100 I-10 J0 ; near: arc-radius-mismatch
G1 X100
G2 X120.0021 Y100 I10 J0 ; expect: arc-radius-mismatch
G1 X120
G3 X99.94 Y100 I-10 J0 ; expect: arc-radius-mismatch
G1 X100
G2 X120 Y100 R10 ; near: arc-radius-mismatch
G3 X100 Y100 R9.9 ; expect: arc-radius-mismatch
G2 X110 ; expect: malformed-word
G2 X110 I5 R5 ; expect: malformed-word
G2 X120 I10 ; near: malformed-word
G5 X130 Y100 I0 J5 P0 Q5 ; expect: not-supported-here
; Arcs that bulge over the end of travel, and into the brush.
G0 X240 Y90
G3 X240 Y110 I0 J10 ; near: outside-travel
G0 X240.01 Y90
G3 X240.01 Y110 I0 J10 ; expect: outside-travel
G0 X10 Y176
G2 X50 Y176 I20 J0 ; near: inside-keep-out
G0 X50 Y180
G0 X10
G2 X50 Y180 I20 J0 ; expect: inside-keep-out
M84
