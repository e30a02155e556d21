; Starter tape, stage 1: the receiver of the fast link. The machine's own tape loader brings it in; it then brings in
; stage 2 by the link and starts it. Stage 2 calls the receiver here.
;
; The link: the time between two pulses is a bit, short (T) for 0 and half as long again for 1. A pulse sets a latch
; (port FFh, bit 7) that any output to the port clears. After a pulse the input still rings, so the program waits out a
; blind time, clears the latch and polls; one turn of the poll is 35 T-states. A block is a run of short intervals, from
; which the threshold is measured, the sync byte, 10 bytes of header, 128 bytes of data and a CRC of 16 bits (x^16 +
; x^12 + x^5 + 1, preset to ones, high byte first). After each block the line is quiet for some milliseconds.

port:	equ 0ffh
motor:	equ 4			; output level idle, motor relay on
turns:	equ 250			; turns of the poll before the line counts as quiet
delay:	equ 25			; blind time inside a byte: 60 + 13 * delay T-states
sync:	equ 0e5h
screen:	equ 3c00h

block:	equ 4300h		; one received block, within one page
bdisk:	equ block		; checks of the disk, so that two tapes are not mixed
btrack:	equ block+1		; track, or 0ffh: part of stage 2, 0feh: calibration
bindex:	equ block+2		; number of the block in its group
bcount:	equ block+3		; data blocks in the group
bflags:	equ block+4		; bits 0-2: parity blocks; bit 6: data mark FA, bit 7: data mark F8
blen:	equ block+5		; length of the packed track
bcrc:	equ block+7		; CRC of the track
bspare:	equ block+9		; round of the carousel
bdata:	equ block+10
bend:	equ bdata+130		; data and CRC

stage2:	equ 4600h

	org 4400h

	jp start
	jp receive		; 4403h: entries for stage 2
	jp crcbyte		; 4406h

start:	di
	ld sp,4300h
	ld hl,screen
	ld de,screen+1
	ld bc,3ffh
	ld (hl),20h
	ldir
	ld hl,text
	ld de,screen
	ld bc,textend-text
	ldir
	ld hl,parts		; nothing of stage 2 is here yet
	ld b,32
	xor a
clear:	ld (hl),a
	inc hl
	djnz clear
again:	call receive
	jr nc,again
	ld a,(btrack)
	inc a
	jr nz,again		; not of stage 2
	ld a,(bindex)
	ld e,a
	ld d,0
	ld hl,parts
	add hl,de
	ld (hl),1
	ld d,a			; destination = stage2 + 128 * index
	ld e,0
	srl d
	rr e
	ld hl,stage2
	add hl,de
	ex de,hl
	ld hl,bdata
	ld bc,128
	ldir
	ld a,(bcount)		; how many are missing?
	ld b,a
	ld c,0
	ld hl,parts
count:	ld a,(hl)
	or a
	jr nz,have
	inc c
have:	inc hl
	djnz count
	ld a,c
	add a,30h
	cp 3ah
	jr c,digit
	add a,7
digit:	ld (screen+textend-text+1),a
	ld a,c
	or a
	jr nz,again
	jp stage2

text:	defm "STARTER: PARTS LEFT"
textend:

; receive: waits for one block. Carry set: it is in the buffer and its CRC is right. Carry clear: the line went quiet
; or the CRC was wrong. Changes everything, and the other register set.
receive:
	ld c,0			; intervals in a row that are alike
	ld hl,0			; their sum
	ld d,0			; the last of them, in turns
hunt:	ld b,delay-5
hunt1:	djnz hunt1
	ld a,motor
	out (port),a
	ld b,turns
hunt2:	in a,(port)
	rlca
	jr c,hunt3
	djnz hunt2
	or a			; quiet
	ret
hunt3:	ld a,turns
	sub b
	ld e,a			; this interval, in turns
	sub d
	add a,2
	cp 5
	ld d,e
	jr nc,receive1		; unlike the last
	ld a,e
	add a,l
	ld l,a
	adc a,h
	sub l
	ld h,a
	inc c
	ld a,c
	cp 8
	jr c,hunt
	; eight alike: an interval is their mean and half a turn, as turns are counted down to whole ones, and the blind
	; time, 11 turns. 5/4 of it is the threshold: (5 * sum + 92) / 32 turns of the poll.
	ld d,h
	ld e,l
	add hl,hl
	add hl,hl
	add hl,de
	ld de,blind*8+4
	add hl,de
	add hl,hl
	add hl,hl
	add hl,hl
	ld a,turns
	sub h
	ld c,a			; fewer turns left than this: a one
	ld h,64			; bits in which the sync byte must come
	ld e,0
	ld b,delay-15
	jr seek1
receive1:
	ld c,0
	ld hl,0
	jr hunt

blind:	equ 11

seek:	ld b,delay-2
seek1:	djnz seek1
	ld a,motor
	out (port),a
	ld b,turns
seek2:	in a,(port)
	rlca
	jr c,seek3
	djnz seek2
	or a
	ret
seek3:	ld a,b
	cp c
	rl e
	ld a,e
	cp sync
	jr z,found
	dec h
	jr nz,seek
	or a
	ret

found:	exx
	ld de,0ffffh
	exx
	ld hl,block
	ld b,delay-5
	jr first
byte:	ld b,delay-17		; storing and the CRC took the rest of the blind time
first:	ld e,1			; the bit that falls out when eight have come
bit1:	djnz bit1
	ld a,motor
	out (port),a
	ld b,turns
bit2:	in a,(port)
	rlca
	jr c,bit3
	djnz bit2
	or a
	ret
bit3:	ld a,b
	cp c
	rl e
	ld b,delay
	jr nc,bit1
	ld (hl),e
	ld a,e
	exx
	call crcbyte
	exx
	inc l
	ld a,l
	cp bend-block
	jr nz,byte
	exx
	ld a,d
	or e
	exx
	ret nz			; carry is clear
	scf
	ret

; crcbyte: takes A into the CRC in DE.
crcbyte:
	xor d
	ld d,a
	rrca
	rrca
	rrca
	rrca
	and 0fh
	xor d
	ld d,a			; x
	rrca
	rrca
	rrca
	ld b,a
	and 1fh			; x >> 3
	xor e
	ld e,a
	ld a,b
	and 0e0h		; x << 5
	xor d
	ld b,a			; the new low byte
	ld a,d
	rlca
	rlca
	rlca
	rlca
	and 0f0h		; x << 4
	xor e
	ld d,a
	ld e,b
	ret

parts:	equ 4200h		; 32 marks: which parts of stage 2 are here (work area of the loader, no longer needed)
