; Disk reader: sends the sectors of a disk out through the cassette port, for a machine whose drive is the only one that
; reads it. The class's own tape loader brings it in.
;
; A track goes out as the bytes that lie on it: for each sector six zeros, the identifier (FE, cylinder, 0, number, 1,
; CRC), gap, six zeros, the data mark as read, 256 bytes, CRC, gap. A sector that did not read goes out with a CRC that
; is wrong on purpose, so that nobody takes it for good. Bits are the class's own: a clock pulse, and a data pulse 1 ms
; later for a one; each track begins with a leader of zeros and A5h.

port:	equ 0ffh
select:	equ 37e0h
command: equ 37ech
rsector: equ 37eeh
rdata:	equ 37efh
screen:	equ 3c00h
row:	equ 64
state:	equ 4a00h		; per sector: 0 good, else the status; then the mark
marks:	equ 4a10h
sums:	equ 4a20h		; CRC of each data field, high byte first
idsums:	equ 4a40h		; CRC of each identifier
field:	equ 4b00h		; identifier field, or mark of the data field
track:	equ 4c00h		; 2,560 bytes; the byte before the first of a sector is kept aside

	org 4400h

	jp begin
ntracks: defb 40		; 4403h: how many tracks, set by the maker of the tape

begin:	di
	ld sp,43f0h
	ld hl,screen
	ld de,screen+1
	ld bc,3ffh
	ld (hl),20h
	ldir
	ld hl,screen
	ld de,title
	call print
	ld hl,screen+2*row
	ld de,which
	call print
ask:	ld a,(3810h)
	and 15
	jr z,ask
	ld b,1
ask1:	rrca
	jr c,ask2
	sla b
	jr ask1
ask2:	ld a,b
	ld (drive),a
	ld hl,screen+2*row
	ld de,record
	call print
ask3:	ld a,(3840h)
	bit 0,a
	jr z,ask3
	xor a
	ld (current),a

; One track: read, then send.
next:	call spin
	ld hl,screen+4*row
	ld de,trackis
	call print
	ld a,(current)
	call number
	ld a,(current)
	or a
	ld a,3			; restore before the first
	jr z,next1
	ld a,(current)
	ld (rdata),a
	ld a,13h
next1:	call do
	xor a
next2:	push af
	call load
	pop af
	inc a
	cp 10
	jr c,next2
	xor a			; the CRCs take longer than a bit: all before the first bit
next6:	push af
	call prepare
	pop af
	inc a
	cp 10
	jr c,next6
	ld b,48			; leader
next3:	push bc
	xor a
	call send
	pop bc
	djnz next3
	ld a,0a5h
	call send
	xor a
next4:	push af
	call sector
	pop af
	inc a
	cp 10
	jr c,next4
	xor a
	call send		; the last byte has a clock pulse behind it
	ld bc,0
next5:	dec bc			; quiet, 0.5 s
	nop
	ld a,b
	or c
	jr nz,next5
	ld a,(current)
	inc a
	ld (current),a
	ld hl,ntracks
	cp (hl)
	jr c,next
	ld hl,screen+6*row
	ld de,finished
	call print
	xor a
	out (port),a
	halt

; spin: selects the drive and waits until it is up to speed.
spin:	ld de,40
spin1:	ld a,(drive)
	ld (select),a
	ld bc,4000
spin2:	dec bc
	ld a,b
	or c
	jr nz,spin2
	dec e
	jr nz,spin1
	ret

; do: command A, to its end. A = status.
do:	ld (command),a
	ld b,12
do1:	djnz do1
do2:	ld a,(drive)
	ld (select),a
	ld a,(command)
	bit 0,a
	jr nz,do2
	ret

; load: sector A to the track, five tries.
load:	ld c,a
	ld b,5
load1:	push bc
	ld a,(drive)
	ld (select),a
	ld a,c
	ld (rsector),a
	add a,track/256
	ld d,a
	ld e,0
	ld hl,command
	ld (hl),8ch
	ld b,12
load2:	djnz load2
load3:	bit 1,(hl)
	jr z,load4
	ld a,(rdata)
	ld (de),a
	inc e
	jr load3
load4:	bit 0,(hl)
	jr nz,load3
	ld a,(hl)
	pop bc
	ld e,c
	ld d,0
	ld hl,marks
	add hl,de
	push af
	rlca			; bits 6 and 5 to 1 and 0
	rlca
	rlca
	and 3
	ld d,a
	ld a,0fbh
	sub d
	ld (hl),a
	pop af
	and 9ch
	ld d,0
	ld hl,state
	add hl,de
	ld (hl),a
	ret z
	djnz load1
	ret

; prepare: CRCs of sector A: of its identifier to idsums, of its data field to sums; the wrong way round for what did not
; read.
prepare:
	ld (number1),a
	call identifier
	ld hl,field
	ld bc,5
	ld de,0ffffh
	call sum
	ld hl,idsums
	call keep
	call mark
	ld (field),a
	ld hl,field
	ld bc,1
	ld de,0ffffh
	call sum
	ld a,(number1)
	add a,track/256
	ld h,a
	ld l,0
	ld bc,256
	call sum
	ld a,(number1)
	ld c,a
	ld b,0
	ld hl,state
	add hl,bc
	ld a,(hl)
	or a
	jr z,prep1
	ld a,d
	cpl
	ld d,a
prep1:	ld hl,sums
; keep: DE as word number1 of the table at HL.
keep:	ld a,(number1)
	add a,a
	add a,l
	ld l,a
	ld (hl),d
	inc l
	ld (hl),e
	ret

; word: sends word number1 of the table at HL.
word:	ld a,(number1)
	add a,a
	add a,l
	ld l,a
	ld b,2
	jr bytes

; mark: A = data mark of sector number1.
mark:	ld a,(number1)
	ld e,a
	ld d,0
	ld hl,marks
	add hl,de
	ld a,(hl)
	ret

; identifier: of sector number1 to field.
identifier:
	ld hl,field
	ld (hl),0feh
	inc hl
	ld a,(current)
	ld (hl),a
	inc hl
	ld (hl),0
	inc hl
	ld a,(number1)
	ld (hl),a
	inc hl
	ld (hl),1
	ret

; sector: sends sector A.
sector:	ld (number1),a
	call identifier		; whatever takes time comes before zeros, in which the reader finds the beat again
	ld b,6
	call zeros
	ld hl,field
	ld b,5
	call bytes
	ld hl,idsums
	call word
	ld b,11
	call ones
	call mark
	ld (field),a
	ld b,6
	call zeros
	ld a,(field)
	call send
	ld a,(number1)
	add a,track/256
	ld h,a
	ld l,0
	ld b,0
	call bytes
	ld hl,sums
	call word
	ld b,12
ones:	push bc
	ld a,0ffh
	call send
	pop bc
	djnz ones
	ret

zeros:	push bc
	xor a
	call send
	pop bc
	djnz zeros
	ret

; bytes: sends B bytes (0: 256) from HL.
bytes:	push bc
	ld a,(hl)
	inc hl
	call send
	pop bc
	djnz bytes
	ret

; send: byte A, high bit first. Keeps HL. A bit takes 3,540 T-states, the first of a byte too: its wait is shorter by
; what the caller needed.
send:	ld c,a
	ld d,8
	ld b,89
	jr send6
send1:	ld b,96
send6:	djnz send6
	call pulse
	ld b,95
send2:	djnz send2
	sla c
	jr nc,send3
	call pulse
	jr send4
send3:	ld b,41
send5:	djnz send5
send4:	dec d
	jr nz,send1
	ret

; pulse: 128 us up, 128 us down.
pulse:	ld a,5
	out (port),a
	ld b,16
pulse1:	djnz pulse1
	ld a,6
	out (port),a
	ld b,16
pulse2:	djnz pulse2
	ld a,4
	out (port),a
	ret

; sum: takes BC bytes at HL into the CRC in DE.
sum:	ld a,(hl)
	inc hl
	push bc
	call crcbyte
	pop bc
	dec bc
	ld a,b
	or c
	jr nz,sum
	ret

crcbyte:
	xor d
	ld d,a
	rrca
	rrca
	rrca
	rrca
	and 0fh
	xor d
	ld d,a
	rrca
	rrca
	rrca
	ld b,a
	and 1fh
	xor e
	ld e,a
	ld a,b
	and 0e0h
	xor d
	ld b,a
	ld a,d
	rlca
	rlca
	rlca
	rlca
	and 0f0h
	xor e
	ld d,a
	ld e,b
	ret

print:	ld a,(de)
	or a
	ret z
	ld (hl),a
	inc hl
	inc de
	jr print

number:	ld b,2fh
num1:	inc b
	sub 10
	jr nc,num1
	ld (hl),b
	inc hl
	add a,3ah
	ld (hl),a
	ret

title:	defm "DISK READER: THE DISK GOES OUT AS SOUND. IT IS NOT CHANGED"
	defb 0
which:	defm "WHICH DRIVE? PRESS 0, 1, 2 OR 3"
	defb 0
record:	defm "START THE RECORDER, THEN PRESS ENTER"
	defb 0
trackis: defm "TRACK "
	defb 0
finished: defm "DONE. STOP THE RECORDER"
	defb 0
drive:	defb 1
current: defb 0
number1: defb 0
