; machine: bittern
; verdict: hold
; expect-job: no-moves
; Invented: somebody saved the start of a job and nothing else.
G21
G90
G28
M117 Ready when you are
G4 P3
