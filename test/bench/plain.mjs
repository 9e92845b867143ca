// The plain script: what people do by hand. serialport with a packaged parser, one JSON line appended and one JSON
// message published at QoS 1 for each reading. No screening, no averages, no sync, no recovery.
//   node plain.mjs live PORT FILE BROKER_URL          runs until SIGTERM
//   node plain.mjs replay FRAMES FILE BROKER_URL      prints the CPU seconds it took, then ends
import { createReadStream, createWriteStream } from 'node:fs'
import { connectAsync } from 'mqtt'
import { ByteLengthParser, SerialPort } from 'serialport'

const [mode, source, file, url] = process.argv.slice(2)
const names = ['pm1s', 'pm25s', 'pm10s', 'pm1', 'pm25', 'pm10', 'n03', 'n05', 'n1', 'n25', 'n5', 'n10']

function decode(frame) {
  if (frame.readUInt16BE(0) !== 0x424d) return undefined
  let sum = 0
  for (let i = 0; i < 30; i++) sum += frame[i]
  if (sum !== frame.readUInt16BE(30)) return undefined
  return Object.fromEntries(names.map((name, i) => [name, frame.readUInt16BE(4 + 2 * i)]))
}

const client = await connectAsync(url, { clientId: `plain-${process.pid}` })
const before = process.cpuUsage()
const out = createWriteStream(file, { flags: 'a' })
const parser = new ByteLengthParser({ length: 32 })
/** Messages without their acknowledgement; the parser waits while there are many, as a replay would swamp the client. */
let waiting = 0
const enough = 100
let ended = false
let allAcknowledged
parser.on('data', (frame) => {
  const reading = decode(frame)
  if (!reading) return
  const text = JSON.stringify({ time: new Date().toISOString(), ...reading })
  out.write(text + '\n')
  client.publish('plain/readings', text, { qos: 1 }, acknowledged)
  if (++waiting >= enough) parser.pause()
})

function acknowledged() {
  if (--waiting < enough / 2 && parser.isPaused()) parser.resume()
  if (ended && waiting === 0) allAcknowledged()
}

if (mode === 'live') {
  new SerialPort({ path: source, baudRate: 9600 }).pipe(parser)
  process.on('SIGTERM', () => process.exit(0))
} else {
  createReadStream(source, { highWaterMark: 4096 }).pipe(parser)
  await new Promise((resolve) => parser.once('end', resolve))
  ended = true
  if (waiting > 0) await new Promise((resolve) => (allAcknowledged = resolve))
  await new Promise((resolve) => out.end(resolve))
  const used = process.cpuUsage(before)
  console.log(JSON.stringify({ cpuSeconds: (used.user + used.system) / 1e6, bytesWritten: out.bytesWritten }))
  await client.endAsync()
}
