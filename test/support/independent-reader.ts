/** A far end that shares no code with the agent: packs read by the RFC alone, stores read as text. */
import { readdirSync, readFileSync } from 'node:fs'
import { join } from 'node:path'
import { brotliDecompressSync } from 'node:zlib'
import { connect, type MqttClient } from 'mqtt'
import { entriesOf, resolve } from './senml-resolver.js'

/** What a pack said of one line: all of it where it travelled as text, else the mean of PM2.5. */
export interface SeenLine {
  readonly pm2_5?: number
  readonly text?: string
}

/** What came over the wire, kept by identity: 'store seq'. */
export interface Far {
  readonly seen: Map<string, SeenLine>
  /** Highest number by store id. */
  readonly highest: Map<string, number>
  doubles: number
  /** Lines that came again with another content. */
  readonly conflicts: string[]
  readonly retained: Map<string, string>
}

/** A plain client with a session that the broker keeps. */
export function subscribe(port: number): { client: MqttClient; far: Far } {
  const far: Far = { seen: new Map(), highest: new Map(), doubles: 0, conflicts: [], retained: new Map() }
  const client = connect(`mqtt://127.0.0.1:${port}`, {
    protocolVersion: 5,
    clientId: 'independent',
    clean: false,
    properties: { sessionExpiryInterval: 3600 },
    reconnectPeriod: 100,
  })
  client.on('error', () => undefined)
  client.on('message', (topic, payload) => {
    if (topic.endsWith('/lines')) takePack(payload, far)
    else far.retained.set(topic.split('/').slice(4).join('/'), payload.toString())
  })
  return { client, far }
}

/** Names, base name, values; the store's number is a value like any other. */
export function takePack(payload: Buffer, far: Far): void {
  const plain =
    payload.subarray(0, 4).toString() === 'MPb1' ? brotliDecompressSync(payload.subarray(4)) : payload
  let store = ''
  const times: number[] = []
  const seqAt = new Map<number, number>()
  const massAt = new Map<number, number>()
  const take = (seq: number, what: SeenLine): void => {
    const key = `${store} ${seq}`
    const known = far.seen.get(key)
    far.highest.set(store, Math.max(seq, far.highest.get(store) ?? 0))
    if (known) far.doubles++
    else far.seen.set(key, what)
    if (known && !isSame(known, what)) far.conflicts.push(key)
  }
  for (const { n, t, v, vs } of resolve(entriesOf(plain))) {
    const name = n.split('/').at(-1)
    if (name === 'store') store = vs!
    if (name === 'seconds') times.push(t)
    if (name === 'seq') seqAt.set(t, v!)
    if (name === 'pm2_5:mean') massAt.set(t, v!)
    if (name === 'line') take(Number(vs!.split(',')[1]), { text: vs })
  }
  // Every record tells its length; its number only where it is not the next one.
  let seq = NaN
  for (const at of times.sort((a, b) => a - b)) {
    seq = seqAt.get(at) ?? seq + 1
    take(seq, { pm2_5: massAt.get(at) })
  }
}

/** The same line may travel as text in one pack and as numbers in another. */
const isSame = (a: SeenLine, b: SeenLine): boolean =>
  (a.text === undefined) === (b.text === undefined) ? a.text === b.text && a.pm2_5 === b.pm2_5 : true

/** The lines with a number in a folder, as cells with the CRC last. */
export interface StoredText {
  readonly storeId: string
  readonly lines: Map<number, string[]>
  /** Numbers that more than one line has. */
  readonly twice: number[]
}

/** A store or archive as anybody may read it: text lines. A line without its CRC is being written. */
export function storedLines(folder: string): StoredText {
  const lines = new Map<number, string[]>()
  const twice: number[] = []
  let storeId = ''
  for (const name of readdirSync(folder)
    .filter((n) => n.startsWith('lines-'))
    .sort())
    for (const text of readFileSync(join(folder, name), 'utf8').split('\n')) {
      const cells = text.split(',')
      if (cells[0] === 'file') storeId = cells.find((cell) => /^[0-9a-f]{8}-/.test(cell)) ?? storeId
      if (!/^[a-z]{2,16}$/.test(cells[0]) || !/^[1-9]\d*$/.test(cells[1] ?? '')) continue
      if (!/^k[0-9a-f]{8}$/.test(cells.at(-1) ?? '')) continue
      if (lines.has(Number(cells[1]))) twice.push(Number(cells[1]))
      lines.set(Number(cells[1]), cells)
    }
  return { storeId, lines, twice }
}
