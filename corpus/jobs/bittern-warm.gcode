; machine: bittern
; verdict: hold
; Invented: the same strokes at three temperatures, then two towers.
G21
G90
M83
M109 S235
G28
G1 Z10 F6000
G1 X-60 Y-30 F9000
G1 Z0.3 F6000
; Hot enough.
G1 X0.000 Y-30.000 E4.49012 F3840 ; near: melt-rate-exceeded, melt-peak-exceeded, heater-power-exceeded
G0 Y-29.400 F9000
G1 X-60.000 Y-29.400 E4.49012 F3840 ; near: melt-rate-exceeded, melt-peak-exceeded, heater-power-exceeded
G0 Y-28.800 F9000
G1 X60.000 Y-28.800 E8.98024 F3840 ; near: melt-rate-exceeded, melt-peak-exceeded, heater-power-exceeded
G0 Y-28.200 F9000
G0 X-60 F9000
; Nearly the same colder.
M109 R200
G1 X0.000 Y-28.200 E4.49012 F3600 ; near: melt-rate-exceeded, melt-peak-exceeded, heater-power-exceeded
G0 Y-27.600 F9000
G1 X-60.000 Y-27.600 E4.49012 F3600 ; near: melt-rate-exceeded, melt-peak-exceeded, heater-power-exceeded
G0 Y-27.000 F9000
G1 X60.000 Y-27.000 E8.98024 F3600 ; expect: melt-rate-exceeded; near: melt-peak-exceeded, heater-power-exceeded
G0 Y-26.400 F9000
G0 X-60 F9000
; Longer than the heater can do.
M109 S254
G1 X0.000 Y-26.400 E4.49012 F3960 ; near: melt-rate-exceeded, melt-peak-exceeded, heater-power-exceeded
G0 Y-25.800 F9000
G1 X-60.000 Y-25.800 E4.49012 F3960 ; near: melt-rate-exceeded, melt-peak-exceeded, heater-power-exceeded
G0 Y-25.200 F9000
G1 X60.000 Y-25.200 E8.98024 F3960 ; near: melt-rate-exceeded, melt-peak-exceeded, heater-power-exceeded
G0 Y-24.600 F9000
G1 X-60.000 Y-24.600 E8.98024 F3960 ; near: melt-rate-exceeded, melt-peak-exceeded, heater-power-exceeded
G0 Y-24.000 F9000
G1 X60.000 Y-24.000 E8.98024 F3960 ; near: melt-rate-exceeded, melt-peak-exceeded, heater-power-exceeded
G0 Y-23.400 F9000
G1 X-60.000 Y-23.400 E8.98024 F3960 ; near: melt-rate-exceeded, melt-peak-exceeded, heater-power-exceeded
G0 Y-22.800 F9000
G1 X60.000 Y-22.800 E8.98024 F3960 ; near: melt-rate-exceeded, melt-peak-exceeded, heater-power-exceeded
G0 Y-22.200 F9000
G1 X-60.000 Y-22.200 E8.98024 F3960 ; near: melt-rate-exceeded, melt-peak-exceeded, heater-power-exceeded
G0 Y-21.600 F9000
G1 X60.000 Y-21.600 E8.98024 F3960 ; near: melt-rate-exceeded, melt-peak-exceeded, heater-power-exceeded
G0 Y-21.000 F9000
G1 X-60.000 Y-21.000 E8.98024 F3960 ; near: melt-rate-exceeded, melt-peak-exceeded, heater-power-exceeded
G0 Y-20.400 F9000
G1 X60.000 Y-20.400 E8.98024 F3960 ; expect: heater-power-exceeded; near: melt-rate-exceeded, melt-peak-exceeded
G0 Y-19.800 F9000
G1 X-60.000 Y-19.800 E8.98024 F3960 ; expect: heater-power-exceeded; near: melt-rate-exceeded, melt-peak-exceeded
G0 Y-19.200 F9000
G1 X60.000 Y-19.200 E8.98024 F3960 ; expect: heater-power-exceeded; near: melt-rate-exceeded, melt-peak-exceeded
G0 Y-18.600 F9000
G1 X-60.000 Y-18.600 E8.98024 F3960 ; expect: heater-power-exceeded; near: melt-rate-exceeded, melt-peak-exceeded
G0 Y-18.000 F9000
G0 X-60 F9000
M109 R210
; Two towers, the first with waits.
G0 Z5 F6000
G0 X-40.000 Y-40 F9000
G1 Z0.500 F6000
G1 X-20.000 Y-40.000 E0.74835 F2400
G1 X-20.000 Y-20.000 E0.74835 F2400
G1 X-40.000 Y-20.000 E0.74835 F2400
G1 X-40.000 Y-40.000 E0.74835 F2400
G4 S2.1
G0 X-40.000 Y-40 F9000
G1 Z0.700 F6000
G1 X-20.000 Y-40.000 E0.74835 F2400 ; near: layer-time-too-short
G1 X-20.000 Y-20.000 E0.74835 F2400
G1 X-40.000 Y-20.000 E0.74835 F2400
G1 X-40.000 Y-40.000 E0.74835 F2400
G4 S2.1
G0 X-40.000 Y-40 F9000
G1 Z0.900 F6000
G1 X-20.000 Y-40.000 E0.74835 F2400 ; near: layer-time-too-short
G1 X-20.000 Y-20.000 E0.74835 F2400
G1 X-40.000 Y-20.000 E0.74835 F2400
G1 X-40.000 Y-40.000 E0.74835 F2400
G4 S2.1
G0 X-40.000 Y-40 F9000
G1 Z1.100 F6000
G1 X-20.000 Y-40.000 E0.74835 F2400 ; near: layer-time-too-short
G1 X-20.000 Y-20.000 E0.74835 F2400
G1 X-40.000 Y-20.000 E0.74835 F2400
G1 X-40.000 Y-40.000 E0.74835 F2400
G4 S2.1
G0 Z5 F6000
G0 X20.000 Y-40 F9000
G1 Z0.500 F6000
G1 X40.000 Y-40.000 E0.74835 F2400
G1 X40.000 Y-20.000 E0.74835 F2400
G1 X20.000 Y-20.000 E0.74835 F2400
G1 X20.000 Y-40.000 E0.74835 F2400
G0 X20.000 Y-40 F9000
G1 Z0.700 F6000
G1 X40.000 Y-40.000 E0.74835 F2400 ; expect: layer-time-too-short
G1 X40.000 Y-20.000 E0.74835 F2400
G1 X20.000 Y-20.000 E0.74835 F2400
G1 X20.000 Y-40.000 E0.74835 F2400
G0 X20.000 Y-40 F9000
G1 Z0.900 F6000
G1 X40.000 Y-40.000 E0.74835 F2400 ; expect: layer-time-too-short
G1 X40.000 Y-20.000 E0.74835 F2400
G1 X20.000 Y-20.000 E0.74835 F2400
G1 X20.000 Y-40.000 E0.74835 F2400
G0 X20.000 Y-40 F9000
G1 Z1.100 F6000
G1 X40.000 Y-40.000 E0.74835 F2400 ; expect: layer-time-too-short
G1 X40.000 Y-20.000 E0.74835 F2400
G1 X20.000 Y-20.000 E0.74835 F2400
G1 X20.000 Y-40.000 E0.74835 F2400
M104 S0
G1 Z40 F6000
M84
