// From the close of the minute that raises an alert to the command by which the modem takes the message: the built `motepost run`, the
// sensor and a modem that says yes on ptys, records of one second. The talk before that command counts, polls of the modem do not.
// Beside it the middle of fifteen syncs of a short line on the same disk.
import { spawn } from 'node:child_process'
import {
  closeSync,
  createReadStream,
  existsSync,
  fdatasyncSync,
  mkdtempSync,
  openSync,
  readdirSync,
  readFileSync,
  writeFileSync,
  writeSync,
} from 'node:fs'
import { join } from 'node:path'
import { plausibleFrame, writeFrame } from '../../dist/agent/simulation/frames.js'
import { wait } from './parts.mjs'

const program = join(import.meta.dirname, '../../dist/agent/cli/main.js')
const starts = 7

/** Since the board's start, as the agent counts; hundredths. */
const uptimeSeconds = () => Number(readFileSync('/proc/uptime', 'utf8').split(' ')[0])

async function ptyPair(folder) {
  const name = join(mkdtempSync(join(folder, 'pty-')), 'line')
  const ends = [`pty,raw,echo=0,link=${name}-station`, `pty,raw,echo=0,link=${name}-device`]
  const socat = spawn('socat', ends, { stdio: 'ignore' })
  while (!existsSync(`${name}-device`)) await wait(20)
  const fd = openSync(`${name}-device`, 'r+')
  return { port: `${name}-station`, device: `${name}-device`, fd, stop: () => socat.kill('SIGKILL') }
}

/** Takes every message at once; when each line began to come is kept. */
function modemOn({ device, fd }) {
  const heard = []
  let held = ''
  let from = 0
  const answers = {
    '+CPIN?': '+CPIN: READY',
    '+CREG?': '+CREG: 0,1',
    '+CEREG?': '+CEREG: 0,1',
    '+CSQ': '+CSQ: 20,0',
  }
  const say = (text) => writeSync(fd, `\r\n${text}\r\n`)
  const stream = createReadStream(device, { encoding: 'latin1' })
  // The pty's other end is gone: over.
  stream.on('error', () => undefined)
  stream.on('data', (text) => {
    if (held === '') from = uptimeSeconds()
    held += text
    for (let end = held.search(/[\r\x1a]/); end >= 0; end = held.search(/[\r\x1a]/)) {
      const line = held.slice(0, end).trim()
      const isText = held[end] === '\x1a'
      held = held.slice(end + 1)
      if (!isText) heard.push({ line, at: from })
      if (isText) say('+CMGS: 7')
      if (/^AT\+CMGS=/.test(line) && !isText) writeSync(fd, '\r\n> ')
      else {
        const answer = Object.entries(answers).find(([end]) => line === `AT${end}`)?.[1]
        if (answer) say(answer)
        say('OK')
      }
    }
  })
  return heard
}

const alerts = (folder) =>
  readdirSync(folder)
    .filter((name) => name.startsWith('lines-'))
    .flatMap((name) => readFileSync(join(folder, name), 'utf8').split('\n'))
    .map((line) => line.split(','))
    .filter((cells) => cells[0] === 'event' && cells[5] === 'alert' && cells[6].startsWith('rule=dust;'))

function syncSeconds(folder) {
  const fd = openSync(join(folder, 'probe'), 'a')
  const each = Array.from({ length: 15 }, () => {
    writeSync(fd, 'event,1,0badc0de,1,,probe\n')
    const from = performance.now()
    fdatasyncSync(fd)
    return (performance.now() - from) / 1000
  })
  closeSync(fd)
  return middle(each)
}

const middle = (values) => [...values].sort((a, b) => a - b)[values.length >> 1]

/** One start: clean air, then dust until the message is on its way. */
async function oneAlert(folder) {
  const [sensor, modem] = [await ptyPair(folder), await ptyPair(folder)]
  const heard = modemOn(modem)
  const own = mkdtempSync(join(folder, 'alert-'))
  const settings = {
    version: 1,
    station: { name: 'bench', time_zone: 'Etc/GMT' },
    instruments: [{ layout: 'frames-424d-32', port: sensor.port, warm_up_s: 0 }],
    data: { folder: own, record_s: 1, flush_every_s: 300 },
    clock: { trust: 'system' },
    uplink: { mode: 'none' },
    alerts: [
      {
        rule: 'dust',
        channel: 'pm2_5',
        average: '1-min',
        above: 50,
        min_data_capture_percent: 1,
        priority: 'high',
      },
    ],
    delivery: {
      recipients: [
        { alias: 'ann', ways: [{ way: 'sms', to: '+15550100123' }], quiet_from_h: 0, quiet_to_h: 0 },
      ],
      sms: { port: modem.port },
    },
  }
  writeFileSync(`${own}.yaml`, JSON.stringify(settings))
  const station = spawn(process.execPath, [program, 'run', '-s', `${own}.yaml`], { stdio: 'ignore' })
  const from = uptimeSeconds()
  try {
    return await delayOf(station, sensor, heard, own, from)
  } finally {
    station.kill('SIGKILL')
    sensor.stop()
    modem.stop()
  }
}

async function delayOf(station, sensor, heard, own, from) {
  const bytes = new Uint8Array(32)
  const feeding = setInterval(() => {
    writeFrame(bytes, 0, plausibleFrame(uptimeSeconds() - from > 10 ? 200 : 8, 4 + Math.random()))
    writeSync(sensor.fd, bytes)
  }, 300)
  const message = () => heard.find(({ line }) => line.startsWith('AT+CMGS='))
  try {
    while (!message()) {
      if (station.exitCode !== null || uptimeSeconds() - from > 120)
        throw new Error('no message came to the modem')
      await wait(50)
    }
  } finally {
    clearInterval(feeding)
  }
  const ended = new Promise((resolve) => station.once('exit', resolve))
  station.kill('SIGTERM')
  await ended
  const raisedAt = Number(alerts(own)[0][3])
  return message().at - raisedAt
}

/** Rows of the table: what, ours, the plain script's. */
export async function alertRows(folder, tell) {
  tell(`alerts: ${starts} starts`)
  const delays = []
  for (let n = 0; n < starts; n++) delays.push(await oneAlert(folder))
  const words = `${middle(delays).toFixed(2)} s, ${Math.max(...delays).toFixed(2)} s`
  return [
    [`alert: close of the record to the message at the modem, middle and longest of ${starts}`, words, ''],
    ['one sync of a short line', `${(1000 * syncSeconds(folder)).toFixed(1)} ms`, ''],
  ]
}
