/** A TCP link to a broker that can be cut, frozen, or made to swallow what the broker answers. */
import { connect, type Socket } from 'node:net'
import { listenOnLoopback, type Listener } from '../../agent/hardware/tcp-listener.js'

export interface FaultyLink {
  readonly port: number
  /** Connections that came in so far. */
  readonly connections: number
  /** Resets every connection that stands now; new ones go through. */
  cut(): void
  /** Sockets stay open, nothing is forwarded in either direction, until `thaw`. */
  freeze(): void
  thaw(): void
  close(): Promise<void>
}

export async function faultyLink(toPort: number): Promise<FaultyLink> {
  const pairs = new Set<[Socket, Socket]>()
  let frozen = false
  let connections = 0
  const setFlow = ([near, far]: [Socket, Socket]): void => {
    for (const socket of [near, far]) {
      if (frozen) socket.pause()
      else socket.resume()
    }
  }
  const listener: Listener = await listenOnLoopback((near) => {
    connections++
    const far = connect(toPort, '127.0.0.1')
    const pair: [Socket, Socket] = [near, far]
    pairs.add(pair)
    forward(near, far, () => pairs.delete(pair))
    forward(far, near, () => pairs.delete(pair))
    setFlow(pair)
  })
  return {
    port: listener.port,
    get connections() {
      return connections
    },
    cut: () => {
      for (const pair of pairs) for (const socket of pair) socket.resetAndDestroy()
    },
    freeze: () => {
      frozen = true
      pairs.forEach(setFlow)
    },
    thaw: () => {
      frozen = false
      pairs.forEach(setFlow)
    },
    close: async () => {
      for (const pair of pairs) for (const socket of pair) socket.destroy()
      await listener.close()
    },
  }
}

function forward(from: Socket, to: Socket, over: () => void): void {
  from.on('data', (bytes) => to.write(bytes))
  from.on('error', () => undefined)
  from.on('close', () => {
    over()
    to.destroy()
  })
}
