/** What the tests use of jstat, which brings no types. */
declare module 'jstat' {
  const jstat: {
    quantiles(values: readonly number[], shares: readonly number[], alpha: number, beta: number): number[]
    erfc(x: number): number
    studentt: { inv(share: number, free: number): number }
  }
  export default jstat
}
