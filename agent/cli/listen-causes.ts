import { basename } from 'node:path'
import type { BoardView } from './listen-board.js'
import type { Attempt } from './listen-session.js'

/** What the causes are judged by. */
export interface Circumstances {
  readonly kind: 'serial' | 'tcp' | 'file'
  readonly port: string
  readonly board: BoardView
  readonly best: Attempt
  /** All that were tried. */
  readonly speeds: readonly number[]
  /** Names of the commands that were sent. */
  readonly commands: readonly string[]
}

/** Why no reading came, the most likely first, each with what to do. */
export function causesOf(seen: Circumstances): string[] {
  if (seen.kind === 'file') return recordingCauses(seen)
  const { sound, held } = seen.best.judgement
  switch (sound) {
    case 'frames':
      return []
    case 'nothing':
      return consoleFirst(seen, [supply, wires, asleep(seen), loginConsole(seen), wrongPort(seen)])
    case 'echo':
      return [joinedWires, supply, wires, wrongPort(seen)]
    case 'answers':
      return [starting, stillAsleep, brokenFan]
    case 'damaged':
      return [badLine, stolenBytes(seen), relative]
    case 'console':
      return [loginConsole(seen), wrongPort(seen)]
    case 'text':
      return [unknownText, loginConsole(seen), wrongPort(seen)]
    case 'noise':
      return held === undefined
        ? consoleFirst(seen, [speed(seen), loginConsole(seen), unknownLayout, badLine, wrongPort(seen)])
        : [heldLine, wires, speed(seen), wrongPort(seen)]
  }
}

function recordingCauses({ best }: Circumstances): string[] {
  const { sound } = best.judgement
  if (sound === 'frames') return []
  if (sound === 'nothing') return ['The recording is empty: it was made while nothing spoke.']
  return [
    'It was recorded at the wrong speed: listen at the port itself, which tries them.',
    'It is no recording: hex text must stand in a file that ends in .hex, other files are taken for raw bytes.',
    unknownLayout,
  ]
}

/** What the kernel says outweighs what is usual. */
function consoleFirst(seen: Circumstances, causes: readonly string[]): string[] {
  const told = loginConsole(seen)
  return seen.board.isConsole ? [told, ...causes.filter((cause) => cause !== told)] : [...causes]
}

const supply =
  'No supply: measure 5 V between the supply pins at the sensor itself (3.3 V does not turn its fan). With most you feel or hear the fan.'

const wires =
  'Data lines swapped or loose: TX of the sensor goes to RX of the board, RX to TX, and the grounds are joined.'

function asleep({ best, commands }: Circumstances): string {
  if (best.askFault)
    return `Sensor asleep or passive, and commands could not be sent (${best.askFault.detail}).`
  const told =
    commands.length === 0 ? '' : ` ${capital(listed(commands))} were sent in vain, so its RX may be loose.`
  return `Sensor asleep or passive.${told} Leave a sleep or set pin open, and take its supply away for ten seconds: most wake active.`
}

function loginConsole({ kind, board, best }: Circumstances): string {
  if (kind === 'tcp')
    return 'Another client is connected to the serial server, or a console runs on its port: end it there.'
  const cure = consoleCure(basename(board.device))
  if (board.isConsole)
    return `A login console on the port: the kernel names it as its own console (so no command was sent). ${cure}`
  if (best.judgement.sound === 'console')
    return `A login console of this board, or of another one at the far end of the wires. ${cure}`
  return `A login console holds the port. ${cure}`
}

const consoleCure = (device: string): string =>
  `Stop it with \`sudo systemctl disable --now serial-getty@${device.startsWith('tty') ? device : 'NAME'}.service\`, take console= of this port out of the kernel command line, and start the board anew.`

function wrongPort({ kind, board }: Circumstances): string {
  if (kind === 'tcp')
    return 'Wrong address or port: check which line of the serial server the sensor hangs on.'
  const others =
    board.others.length === 0
      ? 'This board shows no other'
      : `Others of this board: ${board.others.join(', ')}`
  return `Wrong port. ${others}.`
}

function speed({ kind, speeds }: Circumstances): string {
  if (kind === 'tcp')
    return "Wrong speed: it is set at the serial server; take the one in the sensor's papers."
  return `Wrong speed: tried ${listed(speeds.map(String))} baud. Give the one in the sensor's papers with --baud.`
}

const joinedWires =
  'RX and TX of the board are joined, or a two-wire adapter repeats what it sends: what came is what was sent.'

const starting = 'The sensor is still starting: try again in half a minute.'

const stillAsleep =
  'It is asleep and did not act on wake: a sleep or set pin is held low, or the supply is too weak for fan and laser.'

const brokenFan = 'Fan or laser stand still: listen for the fan, look for dirt in the inlet.'

const badLine =
  'A bad line: ground not joined, cable too long or beside a power line, supply that sags when the fan runs.'

const stolenBytes = ({ kind, port }: Circumstances): string =>
  kind === 'tcp'
    ? 'Another client of the serial server takes some of the bytes: end it.'
    : `Another program reads the port too and takes some of the bytes (a modem service, a terminal): \`sudo fuser -v ${port}\` names it.`

const relative =
  'A relative of this layout with another check: keep a recording (--record) and describe it in a layout of your own.'

const unknownText =
  'An instrument that prints text in a form no layout describes: copy config/instruments/text-lines-example.yaml, fit its pattern to the lines above and try it with --layout.'

const unknownLayout =
  'A sensor whose layout is not known: keep a recording (--record) and describe it as in config/instruments, then try it with --layout.'

const heldLine =
  'A line that is held, not one that speaks: the far end has no supply, or its levels are those of RS-232 (inverted, up to 12 V) and need a converter.'

const capital = (text: string): string => text.charAt(0).toUpperCase() + text.slice(1)

const listed = (words: readonly string[]): string =>
  words.length < 2 ? words.join('') : `${words.slice(0, -1).join(', ')} and ${words[words.length - 1]}`
