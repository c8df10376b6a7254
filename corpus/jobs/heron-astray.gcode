; machine: heron
; verdict: no-go
; Invented: a hand-written walk around the bed that gets lost.
; expect-job: no-extrusion
G21
G90
G1 Z12 F480 ; expect: moves-before-homing
G1 Z8 ; expect: moves-before-homing
G1 X20 F3000 ; expect: moves-before-homing
G28 X Y
G1 X30 ; near: moves-before-homing
G1 Z9 F480 ; expect: moves-before-homing
G1 Z30 ; expect: moves-before-homing
G28 Z
G1 Z10 ; near: moves-before-homing
G0 Y20 F6000
G0 X220 ; near: outside-travel
G0 X220.0013 ; near: outside-travel
G0 X220.01 ; expect: outside-travel
G0 X100
G1 Z250 F480 ; near: outside-travel
G1 Z250.02 ; expect: outside-travel
; Around the right rear clip.
G0 Y212 F6000
G1 Z6 F480
G0 X219 F6000 ; near: inside-keep-out
G0 X100
G1 Z5.9 F480
G0 X206 F6000 ; near: inside-keep-out
G0 X207 ; expect: inside-keep-out
G0 X100 ; expect: inside-keep-out
; Motors: some of them, later, all of them.
M84 S300
M18 X Y
G0 X90 ; near: motors-off-then-moves
M84
G28 X
G0 X100 ; near: motors-off-then-moves
G0 Y150 ; expect: motors-off-then-moves
G1 Z20 F480 ; expect: motors-off-then-moves
G28
G1 Z10 ; near: motors-off-then-moves
G0 X10 Y100 F6000
M84
