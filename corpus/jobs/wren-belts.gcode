; machine: wren
; verdict: hold
; Invented: long diagonals for the belts.
; expect-job: no-extrusion
G21
G90
M83
G28
G0 Z10 F900
G0 X20 Y20 F12000
G0 X180 Y180 F21000 ; near: step-rate-exceeded, feed-rate-clipped
G0 X20 Y20 F21600 ; expect: step-rate-exceeded
G0 X220 F24000 ; near: feed-rate-clipped, step-rate-exceeded
G0 X20 F24600 ; expect: feed-rate-clipped
G1 X50 F9600
G1 X50.11
G1 X50.22
G1 X50.33
G1 X50.44
G1 X50.55
G1 X50.66
G1 X50.77
G1 X50.88
G1 X50.99
G1 X51.10
G1 X51.21
G1 X51.32
G1 X51.43
G1 X51.54
G1 X51.65
G1 X51.76
G1 X71.76
G1 X71.86
G1 X71.96
G1 X72.06
G1 X72.16
G1 X72.26
G1 X72.36
G1 X72.46
G1 X72.56
G1 X72.66
G1 X72.76
G1 X72.86
G1 X72.96
G1 X73.06
G1 X73.16
G1 X73.26
G1 X73.36
G1 X120
M84
