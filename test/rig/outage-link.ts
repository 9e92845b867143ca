/** A station's way to the broker that fails in the ways links do. */
import { connect, type Socket } from 'node:net'
import { listenOnLoopback } from '../../agent/hardware/tcp-listener.js'

export interface OutageLink {
  readonly port: number
  /** New connections are reset at once, standing ones too, until `up` was called as often. */
  down(): void
  up(): void
  /** Resets what stands. */
  cut(): void
  /** Nothing passes in either direction, and nobody is told. */
  freeze(): void
  thaw(): void
  /** Of the next piece from the station only so many bytes pass; then the connection is reset. */
  cutWithin(bytes: number): void
  /** What the broker answers is thrown away; resolves when something was, and the connection was then reset. */
  swallowAnswer(): Promise<void>
  close(): Promise<void>
}

interface Pair {
  readonly near: Socket
  readonly far: Socket
}

export async function outageLink(toPort: number): Promise<OutageLink> {
  const pairs = new Set<Pair>()
  let reasonsDown = 0
  let isFrozen = false
  let passes = Infinity
  let swallowed: (() => void) | undefined
  const reset = ({ near, far }: Pair): void => {
    near.resetAndDestroy()
    far.destroy()
  }
  const fromStation = (pair: Pair, bytes: Buffer): void => {
    pair.far.write(bytes.subarray(0, passes))
    if (bytes.length > passes) reset(pair)
    if (bytes.length > passes) passes = Infinity
  }
  const fromBroker = (pair: Pair, bytes: Buffer): void => {
    if (!swallowed) return void pair.near.write(bytes)
    swallowed()
    swallowed = undefined
    reset(pair)
  }
  const listener = await listenOnLoopback((near) => {
    if (reasonsDown > 0) return near.resetAndDestroy()
    const pair = { near, far: connect(toPort, '127.0.0.1') }
    pairs.add(pair)
    near.on('data', (bytes) => fromStation(pair, bytes))
    pair.far.on('data', (bytes) => fromBroker(pair, bytes))
    for (const [one, other] of [
      [near, pair.far],
      [pair.far, near],
    ]) {
      one.on('error', () => undefined)
      one.on('close', () => {
        pairs.delete(pair)
        other.destroy()
      })
      if (isFrozen) one.pause()
    }
  })
  const flow = (): void => {
    for (const { near, far } of pairs)
      for (const one of [near, far]) {
        if (isFrozen) one.pause()
        else one.resume()
      }
  }
  return {
    port: listener.port,
    down: () => {
      reasonsDown++
      pairs.forEach(reset)
    },
    up: () => void reasonsDown--,
    cut: () => pairs.forEach(reset),
    freeze: () => {
      isFrozen = true
      flow()
    },
    thaw: () => {
      isFrozen = false
      flow()
    },
    cutWithin: (bytes) => void (passes = bytes),
    swallowAnswer: () => new Promise((resolve) => (swallowed = resolve)),
    close: async () => {
      pairs.forEach(reset)
      await listener.close()
    },
  }
}
